"""The key file: made once, whole, for its owner alone."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from collector.audit.keys import default_key_path, open_signer, public_path, read_public_key
from collector.errors import JournalError


def test_a_key_is_made_once_and_kept(tmp_path: Path) -> None:
    """Mode 0600, the public side beside it, the same key at the next start; nothing else is left
    behind."""
    path = default_key_path(tmp_path / "j")
    first = open_signer(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    again = open_signer(path)
    assert again.key_id == first.key_id
    public = read_public_key(public_path(path))
    assert public.holds(again.sign(b"head"), b"head")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["j.key", "j.pub"]


def test_a_lost_public_side_comes_back(tmp_path: Path) -> None:
    """It follows from the private one."""
    signer = open_signer(tmp_path / "k.key")
    (tmp_path / "k.pub").unlink()
    open_signer(tmp_path / "k.key")
    assert read_public_key(tmp_path / "k.pub").key_id == signer.key_id


def test_a_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    """With the repairing command."""
    path = tmp_path / "j.key"
    open_signer(path)
    path.chmod(0o640)
    with pytest.raises(JournalError) as caught:
        open_signer(path)
    assert str(caught.value) == (
        f"the key file {path} has mode 0640 and others may use it, expected 0600: "
        f"chmod 600 {path}, and think about a new key"
    )


def test_what_is_no_such_key_is_refused(tmp_path: Path) -> None:
    """Text, a key of another kind, no directory: one sentence each."""
    path = tmp_path / "j.key"
    path.write_text("no key")
    path.chmod(0o600)
    with pytest.raises(JournalError, match="holds no private key in PEM without a password"):
        open_signer(path)
    path.write_bytes(
        ec.generate_private_key(ec.SECP256R1()).private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    with pytest.raises(JournalError, match="a key of another kind, expected Ed25519"):
        open_signer(path)
    with pytest.raises(JournalError, match=r"cannot use the key file .*No such file"):
        open_signer(tmp_path / "no" / "j.key")
    with pytest.raises(JournalError, match="cannot read the public key"):
        read_public_key(tmp_path / "none.pub")
    with pytest.raises(JournalError, match="holds no public key in PEM"):
        read_public_key(path)
