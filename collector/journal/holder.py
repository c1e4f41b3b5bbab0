"""One writing process a journal: a lock file that also says who holds it."""

from __future__ import annotations

import fcntl
import os
from datetime import UTC, datetime
from pathlib import Path

from collector.errors import JournalError, JournalHeld

FILE_MODE = 0o600


class Holder:
    """Holds ``<journal>.holder`` until released; the kernel releases it when the process dies.

    The file stays behind: removing it would let two processes lock two different files.

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
            said = os.pread(self._descriptor, 200, 0).decode("ascii", "replace").strip()
            os.close(self._descriptor)
            raise JournalHeld(
                f"the journal {path} is held by {said or 'another process'}"
            ) from error
        since = datetime.fromtimestamp(since_us // 1_000_000, UTC)
        text = f"process {os.getpid()} since {since:%Y-%m-%dT%H:%M:%SZ}\n"
        try:
            os.ftruncate(self._descriptor, 0)
            os.pwrite(self._descriptor, text.encode("ascii"), 0)
        except OSError:
            # A full disk has no room for the note; the lock itself needs none.
            pass

    def release(self) -> None:
        """Let another process have the journal."""
        os.close(self._descriptor)


def held_by(path: Path) -> str | None:
    """Who holds a journal, as it said itself ("process 812 since ..."); None if nobody does."""
    try:
        descriptor = os.open(path.with_name(path.name + ".holder"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return os.pread(descriptor, 200, 0).decode("ascii", "replace").strip() or "a process"
    finally:
        os.close(descriptor)
    return None
