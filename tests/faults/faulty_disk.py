"""Disks that fail, under the journal's real SQLite: layers between it and the file system.

* ``FailingDisk`` fails the Nth write, sync or cut (or read too), once or from then on.
* ``SmallDisk`` is full at a number of bytes, which works for any user on any machine.
* ``RecordingDisk`` notes every write and sync, so that what a power cut at any instant could have
  left on the disk can be put together afterwards.

The model of a power cut: writes to a file that were not yet synced may each be there, be missing,
or be there in part, in any combination. What was synced is there. A torn write harms nothing
outside its own bytes, which is what SQLite assumes of a disk (https://sqlite.org/psow.html).
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple, Self

import apsw

SECTOR = 512
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
"""Where files of tests may be that do not care what the machine's own disk does."""


class _File(apsw.VFSFile):
    """An open file that reports to its disk before it does anything."""

    def __init__(self, disk: Disk, name: Any, flags: list[int]) -> None:
        path = name.filename() if isinstance(name, apsw.URIFilename) else str(name)
        self._disk = disk
        self._path = path
        super().__init__(disk.below, name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802
        self._disk.writing(self._path, data, offset)
        super().xWrite(data, offset)

    def xSync(self, flags: int) -> None:  # noqa: N802
        self._disk.syncing(self._path)
        super().xSync(flags)

    def xTruncate(self, size: int) -> None:  # noqa: N802
        self._disk.cutting(self._path, size)
        super().xTruncate(size)


class _WatchedFile(_File):
    """An open file that reports reads as well."""

    def xRead(self, amount: int, offset: int) -> bytes:  # noqa: N802
        self._disk.reading(self._path)
        return super().xRead(amount, offset)

    def xFileSize(self) -> int:  # noqa: N802
        self._disk.reading(self._path)
        return super().xFileSize()


class Disk(apsw.VFS):
    """A file system layer that passes everything on; registered while used as a context.

    Args:
        for_all: connections that name no layer use it too.
    """

    name = "disk of a journal test"

    def __init__(self, *, for_all: bool = False) -> None:
        self.below = apsw.vfs_names()[0]
        super().__init__(self.name, self.below, for_all)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.unregister()

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802
        return _File(self, name, flags)

    def xDelete(self, name: str, sync: bool) -> None:  # noqa: N802
        self.deleting(name)
        super().xDelete(name, sync)

    def reading(self, path: str) -> None:
        """Called before a read, where reads are watched."""

    def writing(self, path: str, data: bytes, offset: int) -> None:
        """Called before a write."""

    def syncing(self, path: str) -> None:
        """Called before a sync."""

    def cutting(self, path: str, size: int) -> None:
        """Called before a file is cut to a size."""

    def deleting(self, path: str) -> None:
        """Called before a file is deleted."""


class FailingDisk(Disk):
    """Fails operation number ``at``, counted from 1 over all files.

    Args:
        at: which; 0 for none.
        code: SQLite's error (``apsw.SQLITE_IOERR``, ``apsw.SQLITE_FULL``).
        for_good: every later one fails too.
        reads: opening, reading and asking for the size count as operations too.
        for_all: as in ``Disk``.
    """

    name = "failing disk"

    def __init__(
        self, at: int, code: int, for_good: bool, *, reads: bool = False, for_all: bool = False
    ) -> None:
        super().__init__(for_all=for_all)
        self.at = at
        self.code = code
        self.for_good = for_good
        self.count = 0
        self._reads = reads

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802
        if not self._reads:
            return super().xOpen(name, flags)
        self._operation()
        return _WatchedFile(self, name, flags)

    @property
    def fired(self) -> bool:
        """Whether an operation was failed."""
        return 0 < self.at <= self.count

    def _operation(self) -> None:
        self.count += 1
        if self.at and (self.count == self.at or (self.for_good and self.count > self.at)):
            raise apsw.exception_for(self.code)

    def reading(self, path: str) -> None:
        self._operation()

    def writing(self, path: str, data: bytes, offset: int) -> None:
        self._operation()

    def syncing(self, path: str) -> None:
        self._operation()

    def cutting(self, path: str, size: int) -> None:
        self._operation()

    def deleting(self, path: str) -> None:
        self._operation()


class SmallDisk(Disk):
    """Has room for ``size_bytes`` in all files together.

    Args:
        directory: where the files are; all of them count.
        size_bytes: room; may be raised later.
    """

    name = "small disk"

    def __init__(self, directory: Path, size_bytes: int) -> None:
        super().__init__()
        self._directory = directory
        self.size_bytes = size_bytes

    def writing(self, path: str, data: bytes, offset: int) -> None:
        growth = offset + len(data) - Path(path).stat().st_size
        if growth > self.free_bytes():
            raise apsw.exception_for(apsw.SQLITE_FULL)

    def free_bytes(self) -> int:
        """Room left."""
        used = sum(file.stat().st_size for file in self._directory.iterdir())
        return max(0, self.size_bytes - used)


class Step(NamedTuple):
    """One thing that happened to a file; ``mark`` steps carry what the test notes."""

    what: str
    path: str
    offset: int = 0
    data: bytes = b""


class RecordingDisk(Disk):
    """Notes all that is done to the files, in order; ``mark`` adds the test's own notes."""

    name = "recording disk"

    def __init__(self) -> None:
        super().__init__()
        self.steps: list[Step] = []

    def mark(self, number: int) -> None:
        """Note that everything up to ``number`` has been acknowledged."""
        self.steps.append(Step("mark", "", number))

    def writing(self, path: str, data: bytes, offset: int) -> None:
        self.steps.append(Step("write", path, offset, bytes(data)))

    def syncing(self, path: str) -> None:
        self.steps.append(Step("sync", path))

    def cutting(self, path: str, size: int) -> None:
        self.steps.append(Step("cut", path, size))

    def deleting(self, path: str) -> None:
        self.steps.append(Step("delete", path))


class _Image:
    """One file as a power cut could leave it: what is surely there, and what may be."""

    def __init__(self, durable: bytes | None = None) -> None:
        self.durable = None if durable is None else bytearray(durable)
        self.pending: list[Step] = []

    def sync(self) -> None:
        self.durable = self._apply(lambda step: step.data)
        self.pending.clear()

    def after_cut(self, rng: random.Random) -> bytearray | None:
        """The file after the power came back; None where there is none."""
        if self.durable is None and not (self.pending and rng.random() < 0.5):
            return None
        mood = rng.choice(["none", "all", "some", "torn"])

        def survives(step: Step) -> bytes | None:
            if mood == "none" or (mood == "some" and rng.random() < 0.5):
                return None
            if mood != "torn" or step.what != "write" or rng.random() < 0.5:
                return step.data
            return step.data[: SECTOR * rng.randrange(len(step.data) // SECTOR + 1)]

        return self._apply(survives)

    def _apply(self, kept: Callable[[Step], bytes | None]) -> bytearray:
        content = bytearray(self.durable or b"")
        for step in self.pending:
            data = kept(step)
            if data is None:
                continue
            if step.what == "cut":
                del content[step.offset :]
            else:
                content.extend(bytes(max(0, step.offset + len(data) - len(content))))
                content[step.offset : step.offset + len(data)] = data
        return content


class PowerCut(NamedTuple):
    """What a power cut left: files by the last part of their name, and what was acknowledged."""

    files: dict[str, bytes]
    acknowledged: int


def cut_power(
    steps: list[Step], at: int, rng: random.Random, before: Mapping[str, bytes] | None = None
) -> PowerCut:
    """Put together one of the states a power cut before step ``at`` could leave.

    Args:
        steps: all that was done to the files.
        at: how many of them were done.
        rng: chooses among the states.
        before: files that were there, and on the disk, before the first step.
    """
    images = {name: _Image(content) for name, content in (before or {}).items()}
    acknowledged = 0
    for step in steps[:at]:
        if step.what == "mark":
            acknowledged = step.offset
            continue
        image = images.setdefault(Path(step.path).name, _Image())
        if step.what == "sync":
            image.sync()
        elif step.what == "delete":
            image.durable = None
            image.pending.clear()
        else:
            image.pending.append(step)
    files = {}
    for name, image in images.items():
        content = image.after_cut(rng)
        if content is not None:
            files[name] = bytes(content)
    return PowerCut(files, acknowledged)
