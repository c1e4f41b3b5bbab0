"""A full disk: said clearly, nothing lost, nothing damaged, and on it goes when there is room.

Run on a disk that is full by our own count, which works for any user, and on a real file system of
its own where the machine lets us mount one (the ids of the tests say which ran).
"""

from __future__ import annotations

import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol

import apsw
import pytest

from collector.core.records import Record
from collector.errors import JournalFull
from collector.journal import Journal, JournalReader, reserve, writer
from tests.faults.faulty_disk import MEMORY, SmallDisk
from tests.unit.journal.samples import contacts, unnumbered, wall_us

PADDING = "a reason so long that it is written out in each record. " * 8
PATIENCE_S = 30


class FullDisk(Protocol):
    """A directory with little room."""

    directory: Path
    vfs: str | None

    def resize(self, size_bytes: int) -> None:
        """Give it this much room."""


class Counted:
    """Full by our own count."""

    def __init__(self, directory: Path, disk: SmallDisk) -> None:
        self.directory = directory
        self.vfs: str | None = disk.name
        self._disk = disk

    def resize(self, size_bytes: int) -> None:
        self._disk.size_bytes = size_bytes


class Mounted:
    """A file system in memory, mounted for the test."""

    vfs: str | None = None

    def __init__(self, directory: Path) -> None:
        self.directory = directory

    def resize(self, size_bytes: int) -> None:
        options = f"remount,size={size_bytes}"
        subprocess.run(["mount", "-o", options, str(self.directory)], check=True)


def can_mount() -> bool:
    """Whether this process may mount a file system: root, and not in a container without it."""
    with tempfile.TemporaryDirectory() as directory:
        mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", directory]
        if subprocess.run(mount, capture_output=True, check=False).returncode:
            return False
        subprocess.run(["umount", directory], check=True)
    return True


KINDS = ["counted", "mounted"] if can_mount() else ["counted"]
SIZE = 2 << 20
LIMIT = 4 << 20  # of the journal, larger than the disk


@pytest.fixture(params=KINDS)
def disk(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[FullDisk]:
    """A disk of 2 MiB."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        directory = Path(name)
        if request.param == "counted":
            with SmallDisk(directory, SIZE) as small:
                monkeypatch.setattr(reserve, "free_bytes", lambda _: small.free_bytes())
                yield Counted(directory, small)
            return
        mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE}", "tmpfs", name]
        subprocess.run(mount, check=True)
        try:
            yield Mounted(directory)
        finally:
            subprocess.run(["umount", name], check=True)


def wait_until(condition: Callable[[], bool]) -> None:
    """Wait for something another thread does; fail if it never comes."""
    pause = threading.Event()
    for _ in range(PATIENCE_S * 100):
        if condition():
            return
        pause.wait(0.01)
    pytest.fail("waited in vain")


def sound(path: Path) -> bool:
    """Whether SQLite finds no fault in a file, every index entry included."""
    connection = apsw.Connection(str(path))
    found = connection.execute("PRAGMA integrity_check").get
    connection.close()
    return bool(found == "ok")


def submit_until_full(journal: Journal) -> list[Record]:
    """Submit batches until the disk is full and one has to wait; what was taken."""
    taken: list[Record] = []
    committed = True
    while committed or journal.trouble is None:
        batch = contacts(len(taken) + 1, len(taken) + 50, padding=PADDING)
        assert journal.submit(batch)
        taken += batch
        committed = journal.flush(0.3)
    return taken


def test_a_full_disk_is_waited_out(disk: FullDisk, monkeypatch: pytest.MonkeyPatch) -> None:
    """The trouble is told once in a sentence, the queue fills and then refuses, readers still read;
    with room all that was taken is written, in order, and the trouble is over."""
    monkeypatch.setattr(writer, "LONGEST_RETRY_S", 0.25)
    path = disk.directory / "j"
    said: list[str | None] = []
    journal = Journal.open(
        path, wall_us=wall_us, commit_period_s=0, queue_limit=400, on_trouble=said.append,
        size_limit_bytes=LIMIT, vfs=disk.vfs,
    )  # fmt: skip
    taken = submit_until_full(journal)
    while journal.submit(batch := contacts(len(taken) + 1, len(taken) + 50, padding=PADDING)):
        taken += batch
    assert journal.full
    assert journal.backlog <= 400
    assert f"no room on the disk for the journal at {path}" in str(journal.trouble)
    assert "polling pauses when it is 300" in str(journal.trouble)
    head = journal.head
    assert 0 < head < len(taken)
    with JournalReader(path, vfs=disk.vfs) as reader:
        assert unnumbered(reader.records_after(0, 10**6)) == taken[:head]
    progress = journal.progress
    wait_until(lambda: journal.progress > progress + 1)
    assert not journal.failed.done(), "a full disk is no reason to end"
    assert len(said) == 1
    disk.resize(4 * SIZE)
    assert journal.flush(PATIENCE_S)
    wait_until(lambda: len(said) > 1)
    assert journal.backlog == 0
    journal.close()
    assert [text is None for text in said] == [False, True]
    with JournalReader(path) as reader:
        assert unnumbered(reader.records_after(0, 10**6)) == taken
    assert sound(path)


def test_closing_on_a_full_disk_tells_what_was_not_written(disk: FullDisk) -> None:
    """An orderly stop does not hang: it says how many records had no room; the committed ones are
    there and the next start goes on."""
    path = disk.directory / "j"
    journal = Journal.open(
        path, wall_us=wall_us, commit_period_s=0, size_limit_bytes=LIMIT, vfs=disk.vfs
    )
    taken = submit_until_full(journal)
    with pytest.raises(JournalFull, match=r"no room on the disk .*; \d+ records were not written"):
        journal.close(PATIENCE_S)
    with JournalReader(path, vfs=disk.vfs) as reader:
        head = reader.head()
        assert 0 < head < len(taken)
        assert unnumbered(reader.records_after(0, 10**6)) == taken[:head]
    disk.resize(4 * SIZE)
    with Journal.open(path, wall_us=wall_us, vfs=disk.vfs) as journal:
        assert journal.submit(taken[head:])
    with JournalReader(path) as reader:
        assert unnumbered(reader.records_after(0, 10**6)) == taken
    assert sound(path)


def test_at_its_size_limit_the_journal_lives_on_without_room(disk: FullDisk) -> None:
    """Others fill the disk to the last byte when the journal has its full size: it goes on for many
    times its size within its own space, deleting its oldest delivered records as always."""
    path = disk.directory / "j"
    disk.resize(4 * SIZE)
    with Journal.open(
        path, wall_us=wall_us, commit_period_s=0, size_limit_bytes=LIMIT, vfs=disk.vfs
    ) as journal:
        number = 1

        def write(count: int) -> None:
            nonlocal number
            for _ in range(count // 50):
                batch = contacts(number, number + 49, padding=PADDING)
                assert journal.submit(batch, state="s")
                assert journal.flush(PATIENCE_S), journal.trouble
                number += 50

        write(12_000)
        if disk.vfs is None:
            with (disk.directory / "ballast").open("wb", buffering=0) as ballast:
                try:
                    while True:
                        ballast.write(bytes(4096))
                except OSError:
                    pass
        else:
            disk.resize(sum(file.stat().st_size for file in disk.directory.iterdir()))
        write(30_000)
    with JournalReader(path) as reader:
        assert reader.head() == number - 1 == 42_000
        assert reader.first() > 30_000
    assert sound(path)


def test_there_may_be_no_room_for_a_journal_at_all(disk: FullDisk) -> None:
    """Opening a new journal on a disk with hardly any room is an error in a sentence; with room the
    same path works."""
    path = disk.directory / "j"
    disk.resize(16 << 10)
    with pytest.raises(JournalFull, match="no room on the disk for the journal at"):
        Journal.open(path, wall_us=wall_us, vfs=disk.vfs)
    disk.resize(SIZE)
    with Journal.open(path, wall_us=wall_us, vfs=disk.vfs) as journal:
        assert journal.submit(contacts(1, 10))
    with JournalReader(path) as reader:
        assert reader.head() == 10
