"""The journal on a full disk: said clearly, watching goes on, nothing damaged, all of it written.

The disk is a file system of its own where this process may mount one, and everywhere a
limit on the size of files, which fails writes with EFBIG (setrlimit(2)) as a full disk does with
ENOSPC. The limit leaves pipes alone, so the log still comes.
"""

from __future__ import annotations

import asyncio
import contextlib
import resource
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import apsw
import pytest

from collector.core.records import RecordKind
from collector.errors import ExitCode
from collector.journal import JournalReader
from tests.faults.daemon_parts import DaemonProcess, Meadow, are_contiguous, daemon
from tests.faults.test_journal_disk_full import can_mount

FREE = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
CHANGES = 30
NO_ROOM = "no room on the disk for the journal at weirkeeper.journal"


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """A small file system at a folder."""
    mount = ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(folder)]
    subprocess.run(mount, check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill_up(folder: Path) -> None:
    """Write until nothing more fits."""
    with (folder / "filler").open("ab", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(b"\0" * 4096)


Fill = Callable[[DaemonProcess], None]


def fill_disk(collector: DaemonProcess) -> None:
    """Leave no room on the daemon's disk."""
    fill_up(collector.folder)


def empty_disk(collector: DaemonProcess) -> None:
    """Make room again."""
    (collector.folder / "filler").unlink()


def limit_files(collector: DaemonProcess) -> None:
    """Let no file of the daemon's grow beyond its first page."""
    assert collector.process is not None
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))


def free_files(collector: DaemonProcess) -> None:
    """Let them grow again."""
    assert collector.process is not None
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, FREE)


@pytest.fixture(params=["limited", "mounted"] if can_mount() else ["limited"])
def disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Path, Fill, Fill]]:
    """A folder, how to fill its disk, and how to make room."""
    if request.param == "limited":
        yield tmp_path, limit_files, free_files
        return
    with small_disk(tmp_path):
        yield tmp_path, fill_disk, empty_disk


async def move(meadow: Meadow, times: int) -> list[bool]:
    """Move a float, each time long enough to be seen; the states it took."""
    states = []
    for number in range(times):
        states.append(number % 2 == 0)
        meadow.set("start_1", made=states[-1])
        await asyncio.sleep(0.25)
    return states


async def until_it_is_full(collector: DaemonProcess, meadow: Meadow, fill: Fill) -> list[bool]:
    """Fill the disk and move the float until the journal says so; the states it took.

    The journal has room in reserve, which it gives up then, so the disk is filled once more.
    """
    states: list[bool] = []
    fill(collector)
    for _ in range(CHANGES):
        states += await move(meadow, 2)
        if NO_ROOM in collector.raw_log:
            break
    trouble = await collector.said("journal in trouble")
    assert trouble["level"] == "error"
    assert trouble["because"].startswith(NO_ROOM)
    fill(collector)
    return states + await move(meadow, 4)


def float_states(collector: DaemonProcess) -> list[object]:
    """The states on record."""
    return [r.value for r in collector.records(RecordKind.POINT) if r.subject == "meadow.start_1"]


async def test_a_full_disk_is_waited_out_and_nothing_is_lost(
    disk: tuple[Path, Fill, Fill],
) -> None:
    """The log says why and when it is over; every change made meanwhile is on record, once."""
    folder, fill, make_room = disk
    meadow = Meadow()
    meadow.set("start_1", made=False)
    async with meadow.served(), daemon(folder, meadow.port) as collector:
        await collector.start()
        await collector.said("panel answers")
        states = await until_it_is_full(collector, meadow, fill)
        with JournalReader(collector.journal) as reader:  # readers are not in the way
            assert reader.head() > 0
        make_room(collector)
        await collector.said("journal out of trouble")
        assert await collector.stop() == ExitCode.DONE
        assert float_states(collector) == [False, *states]
        records = collector.records()
        assert are_contiguous(records)
        assert [r for r in records if r.kind is RecordKind.PANEL_LOST] == []
        assert quick_check(collector.journal) == "ok"
        assert "Traceback" not in collector.raw_log


async def test_told_to_end_on_a_full_disk_it_says_what_was_not_written(
    disk: tuple[Path, Fill, Fill],
) -> None:
    """Code 4 and one sentence, the journal whole; the next start goes on from what is there."""
    folder, fill, make_room = disk
    meadow = Meadow()
    meadow.set("start_1", made=False)
    async with meadow.served(), daemon(folder, meadow.port) as collector:
        await collector.start()
        await collector.said("panel answers")
        await until_it_is_full(collector, meadow, fill)
        before = collector.records()
        assert await collector.stop(within_s=10) == ExitCode.JOURNAL
        assert "no room on the disk" in collector.screen
        assert "records were not written" in collector.screen
        assert len(collector.screen.splitlines()) == 1
        with contextlib.suppress(ProcessLookupError):  # a limit on files has gone with its process
            make_room(collector)
        assert collector.records() == before
        await collector.start()
        await collector.until_records(
            lambda records: len(records) == 2, "the panel again", RecordKind.PANEL_RETURNED
        )
        assert await collector.stop() == ExitCode.DONE
        assert collector.records()[: len(before)] == before
        assert quick_check(collector.journal) == "ok"


def quick_check(path: Path) -> object:
    """SQLite's own check of a database (https://sqlite.org/pragma.html#pragma_quick_check)."""
    connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        return connection.pragma("quick_check")
    finally:
        connection.close(True)
