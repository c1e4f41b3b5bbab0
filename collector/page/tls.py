"""The certificate of the page: read, understood, and read again when it was renewed."""

from __future__ import annotations

import os
import ssl
from pathlib import Path

import structlog

from collector.errors import OutletError

log = structlog.get_logger()


class Certificate:
    """A certificate and its key, as a server needs them.

    Args:
        certificate_file: PEM, the server's own first, then those that lead to its authority.
        key_file: PEM, without a password.

    Raises:
        OutletError: they cannot be used; says which and why.
    """

    def __init__(self, certificate_file: Path, key_file: Path) -> None:
        self._files = (certificate_file, key_file)
        self._marks = self._looked()
        # TLS 1.2 at least: RFC 8996 has done away with what was before it.
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.minimum_version = ssl.TLSVersion.TLSv1_2
        self._load(self.context)

    def renew(self) -> None:
        """Take the files again where they have changed; if they are bad, the old ones stay."""
        try:
            marks = self._looked()
            if marks == self._marks:
                return
            self._marks = marks
            self._load(ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER))
            self._load(self.context)
        except OutletError as error:
            log.error("the page keeps its old certificate", because=str(error))
        else:
            log.info("the page has a new certificate", file=str(self._files[0]))

    def _looked(self) -> tuple[tuple[int, ...], ...]:
        marks = []
        for path in self._files:
            try:
                found = os.stat(path)
                with path.open("rb"):  # a stat needs no permission to read
                    marks.append((found.st_ino, found.st_mtime_ns, found.st_size))
            except OSError as error:
                raise OutletError(f"cannot read {path}: {error.strerror}") from error
        return tuple(marks)

    def _load(self, context: ssl.SSLContext) -> None:
        certificate_file, key_file = self._files
        try:
            context.load_cert_chain(certificate_file, key_file, password=_no_password)
        except _Locked as error:
            raise OutletError(
                f"the key {key_file} has a password; the page needs one without, readable by the "
                "collector alone"
            ) from error
        except ssl.SSLError as error:
            if error.reason == "KEY_VALUES_MISMATCH":
                raise OutletError(
                    f"the key {key_file} does not belong to the certificate {certificate_file}"
                ) from error
            raise OutletError(
                f"{certificate_file} and {key_file} are no certificate with its key in PEM form "
                f"({error.reason or error})"
            ) from error
        except OSError as error:
            raise OutletError(
                f"cannot read {certificate_file} or {key_file}: {error.strerror}"
            ) from error


class _Locked(Exception):
    """The library asks for the password of a key."""


def _no_password() -> str:
    raise _Locked
