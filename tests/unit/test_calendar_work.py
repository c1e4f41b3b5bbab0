"""Calendar work on a real journal and the real scheduler: done once, made up for, tried again."""

from __future__ import annotations

import asyncio
import stat
from collections.abc import Iterator
from datetime import UTC, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import apsw
import pytest

from collector.calendar_jobs import calendar_works, missing_of_day
from collector.calendar_work import CalendarDesk, CalendarWork, Ending, subject_of
from collector.core.calendar import instant_us, local
from collector.core.calendar_keys import CalendarJob, due_us
from collector.core.records import Quality, Record, RecordKind
from collector.errors import JournalError
from collector.journal import Journal, JournalReader, backup
from collector.journal.backup import BackupInterrupted, back_up, copies, copy_path
from collector.settings import BackupSettings
from tests.unit.journal.samples import contacts, unnumbered

BERLIN = ZoneInfo("Europe/Berlin")
BEGAN_US = instant_us(datetime(2026, 7, 1, 8, tzinfo=UTC))
HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US


class Clocks:
    """Plant time and a wall clock that can be stepped."""

    def __init__(self) -> None:
        self.plant_us = self.offset_us = 0
        self.plant_us = BEGAN_US

    def now_us(self) -> int:
        return self.plant_us

    def wall_us(self) -> int:
        return self.plant_us + self.offset_us

    async def sleep_until(self, at_us: int) -> None:
        await asyncio.sleep(0)


class Works:
    """A journal, its clocks, and calendar work that says what it was asked to do."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clocks = Clocks()
        self.asked: list[str] = []
        self.fails = False
        self.job = CalendarJob("test", time(4, 10))
        self.journal = Journal.open(path, wall_us=self.clocks.wall_us, commit_period_s=0)
        self.reader = JournalReader(path)

    def do(self, key: str, _: Ending) -> str:
        self.asked.append(key)
        if self.fails:
            raise JournalError("no room")
        return ""

    def put(self, subject: str, value: str, reason: str) -> None:
        now_us = self.clocks.now_us()
        record = Record(RecordKind.COLLECTOR, subject, now_us, now_us, now_us, value,
                        Quality.GOOD, reason)  # fmt: skip
        assert self.journal.submit([record])
        assert self.journal.flush(10)

    def desk(self) -> CalendarDesk:
        """What a start of the collector makes."""
        works = [CalendarWork(self.job, self.do)]
        return CalendarDesk(works, BERLIN, self.reader, self.clocks, self.put)


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    made = Works(tmp_path / "a.journal")
    yield made
    made.reader.close()
    made.journal.close()


# --- what is done and when ----------------------------------------------------------------------


async def test_a_restart_neither_repeats_nor_forgets(works: Works) -> None:
    """What was done is on record; a collector that was away makes up for the newest period."""
    await works.desk().look()
    assert works.asked == []  # begun after that day's time
    works.clocks.plant_us += DAY_US
    await works.desk().look()
    await works.desk().look()
    assert works.asked == ["2026-07-02"]
    works.clocks.plant_us += 5 * DAY_US
    desk = works.desk()
    await desk.look()
    await desk.look()
    assert works.asked == ["2026-07-02", "2026-07-07"]
    done = works.reader.history(subject_of("test"), 0, works.clocks.plant_us, 10)
    assert [record.value for record in done] == ["2026-07-02", "2026-07-07"]


async def test_what_failed_is_tried_again(works: Works) -> None:
    """Nothing goes on record until it has succeeded."""
    works.clocks.plant_us += DAY_US
    desk, works.fails = works.desk(), True
    await desk.look()
    works.fails = False
    await desk.look()
    await desk.look()
    assert works.asked == ["2026-07-02", "2026-07-02"]


async def test_a_stepped_clock_is_looked_at_at_once(works: Works) -> None:
    """A step over the time does the work then; stepped back, it is not done again."""
    desk = works.desk()
    running = asyncio.create_task(desk.run())
    stepped = Record(RecordKind.CLOCK, "clock", BEGAN_US, BEGAN_US, BEGAN_US, 0)
    second, third = ["2026-07-02"], ["2026-07-02", "2026-07-03"]
    for step_us, expected in (
        (DAY_US, second), (-DAY_US, second), (DAY_US, second), (DAY_US, third),
    ):  # fmt: skip
        works.clocks.offset_us += step_us
        desk.committed([stepped])
        for _ in range(500):
            if works.asked == expected and desk.due(CalendarWork(works.job, works.do)) == []:
                break
            await asyncio.sleep(0.01)
        assert works.asked == expected
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_the_scheduler_wakes_each_job_when_it_is_due(works: Works) -> None:
    """Its next time is that of the job's key, or it is the hourly look at what failed."""
    desk = works.desk()
    desk._scheduler.start(paused=True)
    desk._set_alarms()
    desk._set_alarms()
    times = [job.next_run_time for job in desk._scheduler.get_jobs()]
    assert len(times) == 2
    daily = next(at for at in times if (at.hour, at.minute) == (4, 10))
    assert local(due_us(works.job, daily.date().isoformat(), BERLIN), BERLIN) == daily
    assert all(job.coalesce and job.misfire_grace_time is None
               for job in desk._scheduler.get_jobs())  # fmt: skip
    desk._scheduler.shutdown(wait=False)


# --- copies -------------------------------------------------------------------------------------


def test_a_copy_is_a_journal_of_its_own(works: Works, tmp_path: Path) -> None:
    """Readable by itself, for its owner alone, with every record; by SQLite's own check whole."""
    works.journal.submit(contacts(1, 500))
    assert works.journal.flush(10)
    target = back_up(works.path, tmp_path / "copies", "2026-07-02", 3)
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert sorted(path.name for path in target.parent.iterdir()) == [target.name]
    with JournalReader(target) as copy:
        assert unnumbered(copy.records_after(0, 1000)) == unnumbered(
            works.reader.records_after(0, 1000)
        )
    connection = apsw.Connection(str(target), flags=apsw.SQLITE_OPEN_READONLY)
    assert connection.pragma("integrity_check") == "ok"
    connection.close()


def test_writing_meanwhile_does_not_begin_the_copy_again(
    works: Works, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A commit between any two steps: the copy ends, and is as it was when it began."""
    monkeypatch.setattr(backup, "PAGES_A_STEP", 2)
    works.journal.submit(contacts(1, 2_000))
    assert works.journal.flush(10)
    steps: list[int] = []

    def write_on() -> bool:
        steps.append(len(steps))
        works.journal.submit(contacts(3_000 + len(steps), 3_000 + len(steps)))
        assert works.journal.flush(10)
        return False

    target = back_up(works.path, tmp_path, "2026-07-02", 3, write_on)
    with JournalReader(target) as copy:
        assert copy.head() == 2_000
    page_bytes = 4096
    assert 3 < len(steps) <= target.stat().st_size / page_bytes / 2 + 2
    assert works.reader.head() == 2_000 + len(steps)


def test_the_oldest_copies_leave_and_one_of_a_day_is_made_in_its_place(
    works: Works, tmp_path: Path
) -> None:
    """As many stay as are wanted, whatever date a wrong clock had given to one."""
    for key in ("2061-01-01", "2026-07-01", "2026-07-02", "2026-07-02", "2026-07-03"):
        back_up(works.path, tmp_path, key, 3)
    assert [path.name for path in copies(works.path, tmp_path)] == [
        copy_path(works.path, tmp_path, key).name
        for key in ("2026-07-01", "2026-07-02", "2026-07-03")
    ]


def test_a_copy_that_cannot_be_made_leaves_nothing(works: Works, tmp_path: Path) -> None:
    """Given up, or no directory: one sentence, the older copy stands, no half of one."""
    whole = back_up(works.path, tmp_path / "copies", "2026-07-01", 3)
    with pytest.raises(BackupInterrupted):
        back_up(works.path, tmp_path / "copies", "2026-07-02", 3, lambda: True)
    assert [*whole.parent.iterdir()] == [whole]
    (tmp_path / "no_folder").write_text("")
    with pytest.raises(JournalError, match="no copy of the journal at"):
        back_up(works.path, tmp_path / "no_folder", "2026-07-02", 3)


# --- the day that ended -------------------------------------------------------------------------


def test_what_is_missing_of_a_day_is_said(works: Works) -> None:
    """Totals and a signed head of that plant day, and of no other, are looked for."""
    begin_us = instant_us(datetime(2026, 7, 1, tzinfo=BERLIN))
    end_us = begin_us + DAY_US
    assert missing_of_day(works.reader, "2026-07-01", BERLIN) == (
        "no totals of the day; no head of the day"
    )
    total = Record(RecordKind.TOTAL, "pump.run_hours.day", end_us, end_us, begin_us, 60.0)
    head = Record(RecordKind.HEAD, "head", end_us, end_us, end_us, '{"day": "2026-07-01"}')
    works.journal.submit([total, head])
    assert works.journal.flush(10)
    assert missing_of_day(works.reader, "2026-07-01", BERLIN) == "the head of the day is not signed"
    assert "no totals" in missing_of_day(works.reader, "2026-07-02", BERLIN)


async def test_the_shipped_work_is_done_on_a_journal(works: Works, tmp_path: Path) -> None:
    """The copy is there at once; what is missing of the day before is judged when the engine has
    had the time to tell of it, and stands on record."""
    works.clocks.plant_us += DAY_US
    shipped = calendar_works(
        works.path, BackupSettings(directory=tmp_path / "copies"), BERLIN, works.reader
    )
    desk = CalendarDesk(shipped, BERLIN, works.reader, works.clocks, works.put)
    await desk.look()
    assert copy_path(works.path, tmp_path / "copies", "2026-07-02").exists()
    checks = "collector.period_check_done"
    assert works.reader.history(checks, 0, works.clocks.plant_us, 9) == []
    works.clocks.plant_us += HOUR_US
    await desk.look()
    (checked,) = works.reader.history(checks, 0, works.clocks.plant_us, 9)
    assert (checked.value, checked.reason) == (
        "2026-07-01", "no totals of the day; no head of the day",
    )  # fmt: skip
