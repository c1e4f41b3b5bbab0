"""Work that belongs to the calendar: a scheduler wakes it, the record says what is due.

The scheduler decides nothing. When it wakes a job, when the collector starts, when the wall clock
was stepped and once an hour, the same question is asked (``core/calendar_keys.py``): which periods
are due and not on record as done? What is done goes on record as ``collector.<job>_done`` with the
period's key. A crash between the work and its record has it done again; every job is such that
doing a period again changes nothing.

The scheduler waits on the loop's clock for an instant of the wall clock, so a step of the wall
clock would have it come late; its jobs are made anew then.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from functools import partial

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler  # type: ignore[import-untyped]
from apscheduler.triggers.cron import CronTrigger  # type: ignore[import-untyped]

from collector.clock import Clock
from collector.core.calendar_keys import CalendarJob, keys_due
from collector.core.records import Record, RecordKind
from collector.errors import JournalDamaged, WeirkeeperError
from collector.journal.backup import BackupInterrupted
from collector.journal.reader import JournalReader
from collector.outlets.threads import in_daemon_thread

LOOK_BACK_US = 400 * 86_400_000_000
MOST_DONE = 1_000
REST_US = 600_000_000
CATCH_UP_MINUTE = 25  # of every hour: what failed is tried again

log = structlog.get_logger(__name__)

Ending = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class CalendarWork:
    """A job and what is done.

    Args:
        job: when.
        do: takes the key of a period, and whether to give up; blocks; back comes what is to be
            said of it on record, empty if all is well. Errors of ours are tried again.
        after_rest: only when the collector has run for a while without a start or a step of the
            clock: after one, the engine has yet to tell of the days that have passed.
    """

    job: CalendarJob
    do: Callable[[str, Ending], str]
    after_rest: bool = False


class CalendarDesk:
    """The calendar work of one plant; all but the work itself is on one event loop.

    Args:
        works: what there is to do.
        zone: the plant's time zone.
        reader: of the journal, which says what is done.
        clock: plant and wall time.
        put_on_record: takes the subject, the key and what is to be said.

    Attributes:
        failing: jobs whose last attempt failed.
    """

    def __init__(
        self,
        works: Sequence[CalendarWork],
        zone: tzinfo,
        reader: JournalReader,
        clock: Clock,
        put_on_record: Callable[[str, str, str], None],
    ) -> None:
        self.failing: set[str] = set()
        self._works = works
        self._zone = zone
        self._reader = reader
        self._clock = clock
        self._put_on_record = put_on_record
        self._ending = threading.Event()
        self._one_at_a_time = asyncio.Lock()
        self._stepped = asyncio.Event()
        self._done: dict[str, set[str]] = {}
        self._rests_from_us = clock.now_us()
        self._scheduler = AsyncIOScheduler(
            timezone=zone, job_defaults={"coalesce": True, "misfire_grace_time": None}
        )

    async def run(self) -> None:
        """Work until the task is cancelled."""
        self._scheduler.start()
        try:
            self._set_alarms()
            while True:
                await self.look()
                await self._stepped.wait()
                self._stepped.clear()
                self._set_alarms()
        finally:
            self._ending.set()
            self._scheduler.shutdown(wait=False)

    def committed(self, records: Sequence[Record]) -> None:
        """Tell what the journal has taken; on the event loop."""
        if any(record.kind is RecordKind.CLOCK for record in records):
            self._rests_from_us = self._clock.now_us()
            self._stepped.set()

    async def look(self) -> None:
        """Do what is due and not done."""
        async with self._one_at_a_time:
            for work in self._works:
                rested = self._clock.now_us() - self._rests_from_us >= REST_US
                if rested or not work.after_rest:
                    await self._look_at(work)

    def due(self, work: CalendarWork) -> list[str]:
        """The keys of a job that are due and not done."""
        name, wall_us = work.job.name, self._clock.wall_us()
        if name not in self._done:
            self._done[name] = self._on_record(name)
        begun_us = int(self._reader.journal_id, 16)
        return keys_due(work.job, wall_us, self._zone, self._done[name], begun_us)

    async def _look_at(self, work: CalendarWork) -> None:
        try:
            due = self.due(work)
            for key in due:
                said = await in_daemon_thread(partial(work.do, key, self._ending.is_set))
                self.failing.discard(work.job.name)
                done = self._done[work.job.name]
                done.add(key)
                if len(done) > MOST_DONE:
                    done.remove(min(done))
                self._put_on_record(subject_of(work.job.name), key, said)
                tell = log.warning if said else log.info
                tell("calendar work done", job=work.job.name, period=key, found=said or None)
        except BackupInterrupted:
            return
        except JournalDamaged:
            raise  # it ends the daemon, whose next start replaces the journal
        except WeirkeeperError as failed:
            self.failing.add(work.job.name)
            log.error("calendar work failed, it is tried again", job=work.job.name,
                      because=str(failed))  # fmt: skip

    def _on_record(self, name: str) -> set[str]:
        now_us = self._clock.now_us()
        records = self._reader.history(
            subject_of(name), now_us - LOOK_BACK_US, now_us + LOOK_BACK_US, MOST_DONE
        )
        return {str(record.value) for record in records if record.kind is RecordKind.COLLECTOR}

    def _set_alarms(self) -> None:
        """Have the scheduler wake every job at its time, and all of them once an hour."""
        self._scheduler.remove_all_jobs()
        times = {(work.job.at.hour, work.job.at.minute) for work in self._works}
        triggers = [CronTrigger(hour=h, minute=m, timezone=self._zone) for h, m in sorted(times)]
        for trigger in (*triggers, CronTrigger(minute=CATCH_UP_MINUTE, timezone=self._zone)):
            self._scheduler.add_job(self.look, trigger)


def subject_of(job: str) -> str:
    """The subject under which what was done of a job stands."""
    return f"collector.{job}_done"
