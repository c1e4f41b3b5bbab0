"""Canonical JSON and signatures against the vectors that their standards publish."""

from __future__ import annotations

import json
import struct

import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from collector.audit.chain import canonical
from collector.audit.keys import Signer, Verifier

# RFC 8785 section 3.2.2, the sample input, and section 3.2.4, the bytes of its canonical form.
SAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
SAMPLE_BYTES = """
7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c 22 6e 75
6d 62 65 72 73 22 3a 5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31 65 2b 33 30 2c 34
2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37 5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24 5c 75 30
30 30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d
"""

# RFC 8785 section 3.2.3.
UNSORTED = r"""{
  "\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh",
  "1": "One", "\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control",
  "\u00f6": "Latin Small Letter O With Diaeresis"
}"""
SORTED = [
    "Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign",
    "Emoji: Grinning Face", "Hebrew Letter Dalet With Dagesh",
]  # fmt: skip

# RFC 8785 appendix B: bits of a double and how it is written.
NUMBERS = """
0000000000000000 0
8000000000000000 0
0000000000000001 5e-324
8000000000000001 -5e-324
7fefffffffffffff 1.7976931348623157e+308
ffefffffffffffff -1.7976931348623157e+308
4340000000000000 9007199254740992
c340000000000000 -9007199254740992
4430000000000000 295147905179352830000
44b52d02c7e14af5 9.999999999999997e+22
44b52d02c7e14af6 1e+23
44b52d02c7e14af7 1.0000000000000001e+23
444b1ae4d6e2ef4e 999999999999999700000
444b1ae4d6e2ef4f 999999999999999900000
444b1ae4d6e2ef50 1e+21
3eb0c6f7a0b5ed8c 9.999999999999997e-7
3eb0c6f7a0b5ed8d 0.000001
41b3de4355555553 333333333.3333332
41b3de4355555554 333333333.33333325
41b3de4355555555 333333333.3333333
41b3de4355555556 333333333.3333334
41b3de4355555557 333333333.33333343
becbf647612f3696 -0.0000033333333333333333
43143ff3c1cb0959 1424953923781206.2
""".strip().splitlines()

# RFC 8032 section 7.1, tests 1 to 3: private key, public key, message, signature.
SIGNATURES = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
            "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
            "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
            "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
)


def test_the_sample_of_the_standard_is_written_byte_for_byte() -> None:
    """RFC 8785 sections 3.2.2 and 3.2.4."""
    assert canonical(json.loads(SAMPLE)) == bytes.fromhex(SAMPLE_BYTES)


def test_members_stand_in_the_order_of_the_standard() -> None:
    """RFC 8785 section 3.2.3: by UTF-16 code units."""
    assert list(json.loads(canonical(json.loads(UNSORTED))).values()) == SORTED


@pytest.mark.parametrize("line", NUMBERS)
def test_numbers_are_written_as_the_standard_says(line: str) -> None:
    """RFC 8785 appendix B."""
    bits, text = line.split()
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(number) == text.encode()


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000"])
def test_what_is_no_number_is_refused(bits: str) -> None:
    """RFC 8785 appendix B: NaN and infinity cannot be written."""
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical(number)


@pytest.mark.parametrize("vector", SIGNATURES, ids=["test 1", "test 2", "test 3"])
def test_signatures_are_those_of_the_standard(vector: tuple[str, str, str, str]) -> None:
    """RFC 8032 section 7.1: signing gives its bytes, checking takes them and no other."""
    private, public, message, signature = (bytes.fromhex(part) for part in vector)
    signer = Signer(Ed25519PrivateKey.from_private_bytes(private))
    assert signer.sign(message) == signature
    verifier = Verifier(Ed25519PublicKey.from_public_bytes(public))
    assert verifier.key_id == signer.key_id
    assert verifier.holds(signature, message)
    assert not verifier.holds(signature, message + b"\0")
    assert not verifier.holds(signature[:-1] + bytes([signature[-1] ^ 1]), message)
