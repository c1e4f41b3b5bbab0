"""The disk below SQLite: full, slow, failing, and forgetful when the power goes.

SQLite and its own file system layer write to real files in memory. Of each write the disk notes
what was there before, until the file is synced; so that when the power goes, each write that was
not yet synced may be there, be missing, or be there in part (whole sectors of it), as in
``tests/faults/faulty_disk.py``. A process that is killed loses nothing by that: what it has handed
to the system is written later.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any, NamedTuple

import apsw

SECTOR = 512
ROOMY = 1 << 40


class _Step(NamedTuple):
    """A write (or a cut, where ``data`` is None) that is not yet synced."""

    offset: int
    data: bytes | None
    before: bytes
    size_before: int


class _File(apsw.VFSFile):
    def __init__(self, disk: PlayedDisk, name: Any, flags: list[int]) -> None:
        self._disk = disk
        self._path = name.filename() if isinstance(name, apsw.URIFilename) else str(name)
        super().__init__("unix", name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802
        size = self.xFileSize()
        self._disk.about_to_write(offset + len(data) - size)
        before = self.xRead(min(len(data), size - offset), offset) if offset < size else b""
        steps = self._disk.unsynced.setdefault(self._path, [])
        steps.append(_Step(offset, bytes(data), before, size))
        super().xWrite(data, offset)

    def xSync(self, flags: int) -> None:  # noqa: N802
        self._disk.about_to_sync()
        self._disk.unsynced.pop(self._path, None)  # nothing is written while it is under way

    def xTruncate(self, size: int) -> None:  # noqa: N802
        self._disk.about_to_write(0)
        was = self.xFileSize()
        before = self.xRead(was - size, size) if size < was else b""
        self._disk.unsynced.setdefault(self._path, []).append(_Step(size, None, before, was))
        super().xTruncate(size)


class PlayedDisk(apsw.VFS):
    """The default file system layer of SQLite while it stands.

    Args:
        directory: where all files are.
        rng: decides what a power cut leaves.

    Attributes:
        room_bytes: size of the disk; all files in the directory count.
        sync_s: called for the time each sync takes.
        fails: SQLite's code for the next write or sync, 0 for none.
        dead: the process is gone, nothing can be written any more.
    """

    name = "played disk"

    def __init__(self, directory: Path, rng: Random, sleep: Callable[[float], None]) -> None:
        super().__init__(self.name, "unix", True)
        self.directory = directory
        self.unsynced: dict[str, list[_Step]] = {}
        self.room_bytes = ROOMY
        self.sync_s: Callable[[], float] = lambda: 0.0
        self.fails = 0
        self.dead = False
        self.counts: Counter[str] = Counter()
        self._rng = rng
        self._sleep = sleep

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802
        return _File(self, name, flags)

    def xDelete(self, name: str, sync: bool) -> None:  # noqa: N802
        if self.dead:
            raise apsw.exception_for(apsw.SQLITE_IOERR)
        self.unsynced.pop(name, None)
        super().xDelete(name, sync)

    def about_to_write(self, growth: int) -> None:
        """Refuse what there is no room for."""
        self._may_fail()
        if growth > 0 and self.room_bytes < ROOMY and growth > self.free_bytes():
            self.counts["full"] += 1
            raise apsw.exception_for(apsw.SQLITE_FULL)

    def about_to_sync(self) -> None:
        """Take the time a sync takes."""
        self._may_fail()
        self.counts["syncs"] += 1
        self._sleep(self.sync_s())

    def _may_fail(self) -> None:
        if self.dead:
            raise apsw.exception_for(apsw.SQLITE_IOERR)
        if self.fails:
            code, self.fails = self.fails, 0
            self.counts["failed"] += 1
            raise apsw.exception_for(code)

    def used_bytes(self) -> int:
        """What all files take."""
        return sum(f.stat().st_size for f in self.directory.iterdir() if f.is_file())

    def free_bytes(self) -> int:
        """Room left."""
        return max(0, self.room_bytes - self.used_bytes())

    def allocate(self, size: int) -> None:
        """Take room for a file of the journal's that SQLite does not write.

        Raises:
            OSError: there is none.
        """
        if self.room_bytes < ROOMY and size > self.free_bytes():
            raise OSError(28, os.strerror(28))

    def facts(self) -> SimpleNamespace:
        """As ``os.statvfs`` tells it."""
        free = self.free_bytes() if self.room_bytes < ROOMY else ROOMY
        return SimpleNamespace(f_bavail=free // 4096, f_frsize=4096)

    def cut_power(self) -> None:
        """Leave the files as a power cut could have; nothing may have them open."""
        for path, steps in self.unsynced.items():
            content = bytearray(Path(path).read_bytes()) if Path(path).exists() else bytearray()
            for step in reversed(steps):
                content[step.offset : step.offset + len(step.before)] = step.before
                del content[step.size_before :]
            mood = self._rng.choice(["none", "all", "some", "torn"])
            self.counts[f"cut, {mood} left"] += 1
            for step in steps:
                self._leave(content, step, mood)
            Path(path).write_bytes(content)
        self.unsynced.clear()
        for file in self.directory.glob("*-shm"):
            file.unlink()

    def _leave(self, content: bytearray, step: _Step, mood: str) -> None:
        if mood == "none" or (mood == "some" and self._rng.random() < 0.5):
            return
        data = step.data
        if data is None:
            del content[step.offset :]
            return
        if mood == "torn" and self._rng.random() < 0.5:
            data = data[: SECTOR * self._rng.randrange(len(data) // SECTOR + 1)]
        content.extend(bytes(max(0, step.offset + len(data) - len(content))))
        content[step.offset : step.offset + len(data)] = data
