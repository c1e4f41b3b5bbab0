"""The password of the page: HTTP Basic against an argon2 hash in a file.

A check costs some 50 ms and 64 MiB on purpose, and a browser sends the password with every request.
So checks run in a thread, one at a time for the machine itself and one at a time for all others,
and the password that was right last is remembered as a keyed hash in memory alone.

The hash file is looked at anew when it changes, so that another password needs no restart. Where it
cannot be used, nobody gets in.

Source: RFC 7617 (Basic, with UTF-8); RFC 9106 (argon2id; its second recommended set of parameters
is the library's default).
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import hashlib
import hmac
import os
import secrets
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import argon2
import structlog

from collector.clock import MICROSECONDS
from collector.errors import OutletError
from collector.page.lockout import LOOPBACK, Lockout, origin_of

LONGEST_PASSWORD_BYTES = 1_024
SHORTEST_PASSWORD = 12
"""Characters, for whoever sets one. Common practice, no source."""
MOST_WAITING = 8
MOST_MEMORY_KIB = 1 << 18
MOST_ROUNDS = 16
REALM = 'Basic realm="weirkeeper", charset="UTF-8"'

log = structlog.get_logger()


def hash_of(password: str) -> str:
    """The argon2 hash of a password, as the file holds it."""
    return argon2.PasswordHasher().hash(_normal(password))


def read_hash(path: Path) -> str:
    """The hash in a password file.

    Raises:
        OutletError: there is none that can be used; says why, never what stands there.
    """
    again = "'weirkeeper password' writes one"
    try:
        text = path.read_text("ascii").strip()
    except OSError as error:
        raise OutletError(f"cannot read the password file {path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise OutletError(f"the password file {path} holds no argon2 hash; {again}") from error
    try:
        costs = argon2.extract_parameters(text)
    except argon2.exceptions.InvalidHash as error:
        raise OutletError(f"the password file {path} holds no argon2 hash; {again}") from error
    if costs.memory_cost > MOST_MEMORY_KIB or costs.time_cost > MOST_ROUNDS:
        raise OutletError(
            f"the hash in {path} takes more memory or rounds than a collector can spare; {again}"
        )
    return text


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why somebody does not get in.

    Args:
        status: of HTTP: 401 not the password, 429 not now, 503 nobody can get in.
        sentence: for the person.
        retry_after_s: when it is worth to try again, None where that is no question of time.
    """

    status: int
    sentence: str
    retry_after_s: int | None = None


class Access:
    """Lets in who knows the password.

    Args:
        path: the password file.
        now_us: plant time.
    """

    def __init__(self, path: Path, now_us: Callable[[], int]) -> None:
        self._path = path
        self._now_us = now_us
        self._lockout = Lockout()
        self._hasher = argon2.PasswordHasher()
        self._key = secrets.token_bytes(32)
        self._right: bytes | None = None
        self._mark: tuple[int, ...] | None = None
        self._hash = ""
        self._own_turn, self._turn = asyncio.Lock(), asyncio.Lock()
        self._waiting = 0

    def check_file(self) -> None:
        """Look whether the file has changed.

        Raises:
            OutletError: it cannot be used.
        """
        try:
            found = os.stat(self._path)
        except OSError as error:
            raise OutletError(
                f"cannot read the password file {self._path}: {error.strerror}"
            ) from error
        mark = (found.st_ino, found.st_mtime_ns, found.st_size)
        if mark != self._mark:
            self._hash, self._right = read_hash(self._path), None
            self._mark = mark

    async def refusal(self, address: str, authorization: str | None) -> Refusal | None:
        """Why a request does not get in; None if it does.

        Args:
            address: whom it comes from.
            authorization: the header of that name, None where there is none.
        """
        origin = origin_of(address)
        wait_us = self._lockout.wait_us(origin, self._now_us())
        if wait_us:
            return _not_now(wait_us)
        try:
            self.check_file()
        except OutletError as error:
            log.error("nobody can get at the page", because=str(error))
            return Refusal(503, "The password cannot be checked; the collector's log says why.")
        if authorization is None:
            return Refusal(401, "This page needs its password.")
        password = _password_in(authorization)
        if password is None:
            return Refusal(401, "This page needs its password, by HTTP Basic.")
        digest = hashlib.blake2b(password.encode(), key=self._key).digest()
        if self._right is None or not hmac.compare_digest(digest, self._right):
            return await self._try(origin, password, digest)
        self._lockout.right(origin)
        return None

    async def _try(self, origin: str, password: str, digest: bytes) -> Refusal | None:
        own = origin == LOOPBACK
        if not own and self._waiting >= MOST_WAITING:
            return Refusal(429, "Too many are trying at once.", 5)
        self._waiting += not own
        try:
            async with self._own_turn if own else self._turn:
                # Others of this origin may have been wrong while this one waited.
                wait_us = self._lockout.wait_us(origin, self._now_us())
                if wait_us:
                    return _not_now(wait_us)
                tried = self._hash
                right = await asyncio.to_thread(self._matches, tried, password)
        finally:
            self._waiting -= not own
        if right:
            if tried == self._hash:
                self._right = digest
            self._lockout.right(origin)
            return None
        locked_us = self._lockout.wrong(origin, self._now_us())
        log.warning("wrong password for the page", origin=origin,
                    locked_out_s=locked_us // MICROSECONDS)  # fmt: skip
        return _not_now(locked_us) if locked_us else Refusal(401, "That is not the password.")

    def _matches(self, kept: str, password: str) -> bool:
        try:
            return self._hasher.verify(kept, password)
        except argon2.exceptions.VerificationError:
            return False


def _not_now(wait_us: int) -> Refusal:
    wait_s = -(-wait_us // MICROSECONDS)
    return Refusal(429, f"Too many wrong passwords; try again in {wait_s} s.", wait_s)


def _password_in(authorization: str) -> str | None:
    """The password of a Basic header; the name before it says nothing here."""
    scheme, _, coded = authorization.partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        text = base64.b64decode(coded.strip(), validate=True).decode("utf-8")
    except (binascii.Error, UnicodeDecodeError, ValueError):
        return None
    _, colon, password = text.partition(":")
    if not colon or len(password.encode()) > LONGEST_PASSWORD_BYTES:
        return None
    return _normal(password)


def _normal(password: str) -> str:
    """One form for a password whichever keyboard it was typed on (RFC 8265, section 4.2.1)."""
    return unicodedata.normalize("NFC", password)
