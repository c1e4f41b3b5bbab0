"""A little room kept back on the disk, given up when the disk is full.

On a full disk SQLite can neither delete nor bring its log into the database, because both write
first. The reserve is what they then write into.
"""

from __future__ import annotations

import os
from pathlib import Path

FILE_MODE = 0o600
ROOM_TO_KEEP = 4
"""The reserve is taken again only when this many times its size is free, so that taking it does not
fill the disk once more."""


class Reserve:
    """``<journal>.reserve``, a file of zeros.

    Args:
        path: the journal.
        size_bytes: how much to keep back.
    """

    def __init__(self, path: Path, size_bytes: int) -> None:
        self._path = path.with_name(path.name + ".reserve")
        self.size_bytes = size_bytes

    @property
    def wanted_bytes(self) -> int:
        """Free room from which on the reserve is taken."""
        return ROOM_TO_KEEP * self.size_bytes

    @property
    def held(self) -> bool:
        """Whether there is something to give up."""
        return self._path.exists()

    def take(self) -> bool:
        """Keep room back if there is enough; True if the reserve is there afterwards."""
        if self.held:
            return True
        if free_bytes(self._path.parent) < self.wanted_bytes:
            return False
        try:
            descriptor = os.open(
                self._path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE
            )
            try:
                os.posix_fallocate(descriptor, 0, self.size_bytes)
            finally:
                os.close(descriptor)
        except OSError:
            self.release()
            return False
        return True

    def release(self) -> bool:
        """Give the room up; True if there was any."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True


def free_bytes(directory: Path) -> int:
    """Room an ordinary user has on the disk of a directory, in bytes; 0 if it does not say."""
    try:
        facts = os.statvfs(directory)
    except OSError:
        return 0
    return facts.f_bavail * facts.f_frsize
