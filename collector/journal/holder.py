"""One writing process a journal: a lock file that also says who holds it, and how far it had got.

How far it had got is written after each commit, without waiting for the disk: after a power cut it
may tell of less than was committed, never of more. A journal that ends before it has lost what was
committed, perhaps published: with its log, say, whose loss SQLite cannot notice.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import zlib
from datetime import UTC, datetime
from pathlib import Path

from collector.errors import JournalError, JournalHeld

FILE_MODE = 0o600
NOTE_BYTES = 128
REACHED = re.compile(rb"reached ([0-9]{1,16}) of ([0-9a-f]{1,16}) check ([0-9a-f]{8})\n")


class Holder:
    """Holds ``<journal>.holder`` until released; the kernel releases it when the process dies.

    The file stays behind: removing it would let two processes lock two different files.

    Attributes:
        reached: the last sequence that was committed, and the id of the journal, as far as the
            holder before has told.

    Args:
        path: the journal.
        since_us: UTC of this instant, told to whoever finds the journal held.

    Raises:
        JournalHeld: another process (or this one) holds it; says which, and since when.
        JournalError: the lock file cannot be opened.
    """

    def __init__(self, path: Path, since_us: int) -> None:
        lock = path.with_name(path.name + ".holder")
        try:
            self._descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE)
        except OSError as error:
            raise JournalError(f"cannot open the lock file {lock}: {error.strerror}") from error
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            said = os.pread(self._descriptor, NOTE_BYTES, 0).decode("ascii", "replace").strip()
            os.close(self._descriptor)
            raise JournalHeld(
                f"the journal {path} is held by {said or 'another process'}"
            ) from error
        since = datetime.fromtimestamp(since_us // 1_000_000, UTC)
        text = f"process {os.getpid()} since {since:%Y-%m-%dT%H:%M:%SZ}\n"
        self.reached = _reached(os.pread(self._descriptor, 4 * NOTE_BYTES, 0))
        # A full disk has no room for the note; the lock itself needs none.
        with contextlib.suppress(OSError):
            os.pwrite(self._descriptor, text.encode("ascii").ljust(NOTE_BYTES), 0)

    def note_reached(self, sequence: int, journal: str) -> None:
        """Note up to which sequence a journal is committed."""
        told = f"{sequence} of {journal}"
        line = f"reached {told} check {zlib.crc32(told.encode()):08x}\n"
        with contextlib.suppress(OSError):
            os.pwrite(self._descriptor, line.encode("ascii"), NOTE_BYTES)

    def release(self) -> None:
        """Let another process have the journal."""
        os.close(self._descriptor)


def _reached(data: bytes) -> tuple[int, str] | None:
    found = REACHED.match(data, NOTE_BYTES)
    if found is None:
        return None
    told = data[found.start(1) : found.end(2)]
    if zlib.crc32(told) != int(found.group(3), 16):
        return None
    return int(found.group(1)), found.group(2).decode("ascii")


def held_by(path: Path) -> str | None:
    """Who holds a journal, as it said itself ("process 812 since ..."); None if nobody does."""
    try:
        descriptor = os.open(path.with_name(path.name + ".holder"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return os.pread(descriptor, NOTE_BYTES, 0).decode("ascii", "replace").strip() or "a process"
    finally:
        os.close(descriptor)
    return None
