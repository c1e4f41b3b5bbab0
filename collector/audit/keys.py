"""The key of the signed heads: Ed25519 (RFC 8032), made on first start, kept in a file of its own.

Whoever has the private key can sign a forged record; it is readable by its owner alone, and the
better place for it is another disk or a credential of the service. The public key belongs to
whoever verifies, given away before it is needed.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from collector.errors import JournalError

PRIVATE_MODE, PUBLIC_MODE = 0o600, 0o644
ID_DIGITS = 16


class Verifier:
    """Checks signatures with a public key.

    Attributes:
        key_id: the first 16 hex digits of the SHA-256 of its 32 bytes.
        pem: the key as a file holds it.
    """

    def __init__(self, key: Ed25519PublicKey) -> None:
        raw = key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
        self.key_id = hashlib.sha256(raw).hexdigest()[:ID_DIGITS]
        self.pem = key.public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        ).decode("ascii")
        self._key = key

    def holds(self, signature: bytes, message: bytes) -> bool:
        """Whether a signature is this key's of this message."""
        try:
            self._key.verify(signature, message)
        except InvalidSignature:
            return False
        return True


class Signer:
    """Signs with a private key.

    Attributes:
        verifier: its public side.
    """

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.verifier = Verifier(key.public_key())

    @property
    def key_id(self) -> str:
        """Tells this key from others."""
        return self.verifier.key_id

    def sign(self, message: bytes) -> bytes:
        """The signature of a message, 64 bytes."""
        return self._key.sign(message)


def default_key_path(journal: Path) -> Path:
    """Where the key of a journal lies if nothing is said."""
    return journal.with_name(journal.name + ".key")


def public_path(key_file: Path) -> Path:
    """Where the public side of a key lies."""
    return key_file.with_name(key_file.name.removesuffix(".key") + ".pub")


def open_signer(path: Path) -> Signer:
    """The key in a file; a new one, with its public side beside it, where there is none yet.

    Raises:
        JournalError: it cannot be read or made, others may read it, or it is no such key.
    """
    try:
        if not path.exists():
            _make(path)
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & 0o077:
            raise JournalError(
                f"the key file {path} has mode {mode:04o} and others may use it, expected 0600: "
                f"chmod 600 {path}, and think about a new key"
            )
        data = path.read_bytes()
    except OSError as error:
        raise JournalError(f"cannot use the key file {path}: {error.strerror}") from error
    try:
        key = serialization.load_pem_private_key(data, None)
    except (ValueError, TypeError) as error:
        raise JournalError(f"{path} holds no private key in PEM without a password") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise JournalError(f"{path} holds a key of another kind, expected Ed25519")
    signer = Signer(key)
    _publish(public_path(path), signer.verifier.pem)
    return signer


def read_public_key(path: Path) -> Verifier:
    """The public key in a PEM file.

    Raises:
        JournalError: it cannot be read, or it is no such key.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise JournalError(f"cannot read the public key {path}: {error.strerror}") from error
    try:
        key = serialization.load_pem_public_key(data)
    except ValueError as error:
        raise JournalError(f"{path} holds no public key in PEM") from error
    if not isinstance(key, Ed25519PublicKey):
        raise JournalError(f"{path} holds a public key of another kind, expected Ed25519")
    return Verifier(key)


def _make(path: Path) -> None:
    """Put a new key there, whole or not at all, unless somebody else was quicker."""
    pem = Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    whole = path.with_name(f"{path.name}.{os.getpid()}")
    _write(whole, pem, PRIVATE_MODE)
    try:
        with contextlib.suppress(FileExistsError):
            os.link(whole, path)
    finally:
        whole.unlink()
    _sync_directory(path.parent)


def _publish(path: Path, pem: str) -> None:
    """Keep the public side beside the key; its loss costs nothing, it comes back here."""
    with contextlib.suppress(OSError):
        if not path.exists() or path.read_text("ascii") != pem:
            _write(path, pem.encode("ascii"), PUBLIC_MODE)


def _write(path: Path, data: bytes, mode: int) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, mode)
    try:
        os.write(descriptor, data)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sync_directory(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
