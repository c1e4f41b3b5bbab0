"""The certificate of the page: what is said when its files cannot be used, and its renewal.

Certificates and keys are made by the library ``cryptography``.
"""

from __future__ import annotations

import datetime
import os
import ssl
from pathlib import Path

import pytest
import structlog
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from collector.errors import OutletError
from collector.page.tls import Certificate
from tests.certificates import DAY, NOW, Authority


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    """Signs the certificate of the page."""
    return Authority.make(tmp_path, "authority")


def refused(certificate_file: Path, key_file: Path) -> str:
    """The sentence with which files are refused."""
    with pytest.raises(OutletError) as caught:
        Certificate(certificate_file, key_file)
    return str(caught.value)


def test_files_that_are_not_there_are_named(authority: Authority, tmp_path: Path) -> None:
    """Each by itself."""
    certificate_file, key_file = authority.sign("127.0.0.1")
    missing = tmp_path / "missing.pem"
    assert refused(missing, key_file) == f"cannot read {missing}: No such file or directory"
    assert refused(certificate_file, missing) == f"cannot read {missing}: No such file or directory"


def test_a_key_of_another_certificate_is_told(authority: Authority) -> None:
    """The commonest slip of a renewal."""
    certificate_file, _ = authority.sign("127.0.0.1")
    _, other = authority.sign("192.0.2.10")
    assert refused(certificate_file, other) == (
        f"the key {other} does not belong to the certificate {certificate_file}"
    )


def test_a_key_with_a_password_is_told_and_nobody_is_asked(
    authority: Authority, tmp_path: Path
) -> None:
    """A service has no terminal to ask at."""
    certificate_file, key_file = authority.sign("127.0.0.1")
    key = serialization.load_pem_private_key(key_file.read_bytes(), None)
    locked = tmp_path / "locked.key"
    locked.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.BestAvailableEncryption(b"open sesame"),
        )
    )
    assert refused(certificate_file, locked).startswith(f"the key {locked} has a password")


def test_what_is_no_pem_is_told(authority: Authority, tmp_path: Path) -> None:
    """In words, with both files, since the library does not say which."""
    _, key_file = authority.sign("127.0.0.1")
    nonsense = tmp_path / "nonsense.pem"
    nonsense.write_text("nonsense")
    assert "are no certificate with its key in PEM form" in refused(nonsense, key_file)


def shown(certificate: Certificate, authority: Authority) -> datetime.datetime:
    """When the certificate ends that a server with this context shows, without any socket."""
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    trust = ssl.create_default_context(cafile=authority.file)
    client = trust.wrap_bio(to_client, to_server, server_hostname="127.0.0.1")
    server = certificate.context.wrap_bio(to_server, to_client, server_side=True)
    for _ in range(4):
        for side in (client, server):
            try:
                side.do_handshake()
            except ssl.SSLWantReadError:
                continue
    found = client.getpeercert(binary_form=True)
    assert found is not None
    return x509.load_der_x509_certificate(found).not_valid_after_utc


def test_a_renewed_certificate_is_taken_and_a_bad_one_is_not(authority: Authority) -> None:
    """Without a restart; a slip in a renewal leaves the page as it was, and is logged once."""
    files = authority.sign("127.0.0.1")
    certificate = Certificate(*files)
    before = shown(certificate, authority)
    certificate.renew()
    for fresh, file in zip(authority.sign("127.0.0.1", ends=NOW + 9 * DAY), files, strict=True):
        os.replace(fresh, file)
    certificate.renew()
    assert shown(certificate, authority) - before == 8 * DAY
    files[0].write_text("nonsense")
    with structlog.testing.capture_logs() as log:
        certificate.renew()
        certificate.renew()
    assert [line["event"] for line in log] == ["the page keeps its old certificate"]
    assert shown(certificate, authority) - before == 8 * DAY
