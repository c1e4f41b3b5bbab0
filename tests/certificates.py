"""Certificates for tests, made by the library ``cryptography``; valid for a day around now."""

from __future__ import annotations

import datetime
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

NOW = datetime.datetime.now(datetime.UTC)
DAY = datetime.timedelta(days=1)


@dataclass(frozen=True)
class Authority:
    """Signs certificates."""

    name: x509.Name
    key: ec.EllipticCurvePrivateKey
    file: Path

    @staticmethod
    def make(directory: Path, name: str) -> Authority:
        """A new authority; its certificate is written to ``NAME.pem``."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = (
            _builder(subject, subject, key, NOW - DAY, NOW + DAY)
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .sign(key, hashes.SHA256())
        )
        file = directory / f"{name}.pem"
        file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        return Authority(subject, key, file)

    def sign(
        self,
        name: str,
        *,
        begins: datetime.datetime = NOW - DAY,
        ends: datetime.datetime = NOW + DAY,
    ) -> tuple[Path, Path]:
        """Files of a certificate for a host name or address, and of its key."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        try:
            general: x509.GeneralName = x509.IPAddress(ipaddress.ip_address(name))
        except ValueError:
            general = x509.DNSName(name)
        certificate = (
            _builder(subject, self.name, key, begins, ends)
            .add_extension(x509.SubjectAlternativeName([general]), critical=False)
            .sign(self.key, hashes.SHA256())
        )
        stem = self.file.with_name(f"{name}-{begins:%Y%m%d}-{ends:%Y%m%d}")
        certificate_file, key_file = stem.with_suffix(".crt"), stem.with_suffix(".key")
        certificate_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return certificate_file, key_file


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    begins: datetime.datetime,
    ends: datetime.datetime,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins)
        .not_valid_after(ends)
    )
