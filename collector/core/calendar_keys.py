"""Which calendar work is due, by the period it belongs to and what is on record as done.

Every job belongs to a period, a plant day or a month, and each period has a key (``2026-07-01``,
``2026-07``). What was done is known by its keys. So it does not matter how often, how late or on
which clock somebody looks: what is due and not done is the same, and done once. The decision rests
on the newest key that is due, not on the greatest that was done: after a clock that stood years
ahead has been set right, days that are done are still known as done, and the others come.

A local time that comes twice is meant the first time. One that the clocks leave out comes as much
later as they leave out. A day that a zone left out altogether has no key.

Source: RFC 5545, 3.3.5, local times that occur twice or not at all.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Literal

from collector.core.calendar import instant_us, local

MOST_MADE_UP = 31
"""Older missed periods are passed over: nobody waits for them (our choice)."""
DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class CalendarJob:
    """Work that is done once for each period.

    Args:
        name: stands in the record of what was done.
        at: time of day on the plant's wall clock.
        period: what it is done once in.
        ended: True: on the day after the period; False: on its first day.
        every_missed: True: each period that was missed is made up for; False: the newest only.
    """

    name: str
    at: time
    period: Literal["day", "month"] = "day"
    ended: bool = False
    every_missed: bool = False


def due_us(job: CalendarJob, key: str, zone: tzinfo) -> int:
    """When a period's work is due, in microseconds since 1970, UTC.

    Args:
        key: of the period.
        zone: the plant's.

    Raises:
        ValueError: the key is not one of the job's periods.
    """
    return _due_us(job, _first_day(job, key), zone)


def keys_due(
    job: CalendarJob, wall_us: int, zone: tzinfo, done: Collection[str], begun_us: int = 0
) -> list[str]:
    """The periods whose work is due and not done, the earliest first.

    Args:
        wall_us: what the wall clock shows, microseconds since 1970, UTC.
        zone: the plant's.
        done: keys on record.
        begun_us: what was due before this date is not wanted; one that lies ahead of the wall clock
            comes from a wrong clock and says nothing.
    """
    if begun_us > wall_us:
        begun_us = 0
    newest = _newest(job, wall_us, zone)
    if _key(job, newest) in done or _due_us(job, newest, zone) <= begun_us:
        return []
    earlier = [key for key in done if key < _key(job, newest)]
    found = [newest]
    if job.every_missed and earlier:
        stop = _first_day(job, max(earlier))
        day = _before(job, newest)
        while day > stop and len(found) < MOST_MADE_UP:
            if _exists(job, day, zone) and _due_us(job, day, zone) > begun_us:
                found.append(day)
            day = _before(job, day)
    return [_key(job, day) for day in reversed(found)]


def _newest(job: CalendarJob, wall_us: int, zone: tzinfo) -> date:
    """First day of the newest period that is due by now."""
    day = local(wall_us, zone).date()
    day = _following(job, day if job.period == "day" else day.replace(day=1))
    while _due_us(job, day, zone) > wall_us or not _exists(job, day, zone):
        day = _before(job, day)
    return day


def _due_us(job: CalendarJob, first: date, zone: tzinfo) -> int:
    day = _following(job, first) if job.ended else first
    return instant_us(datetime.combine(day, job.at, zone))  # of two such times the first: fold 0


def _exists(job: CalendarJob, first: date, zone: tzinfo) -> bool:
    """Whether the zone had that day at all; Samoa, for one, left out 2011-12-30."""
    if job.period == "month":
        return True
    return local(instant_us(datetime.combine(first, time(12), zone)), zone).date() == first


def _following(job: CalendarJob, first: date) -> date:
    return first + DAY if job.period == "day" else (first + 31 * DAY).replace(day=1)


def _before(job: CalendarJob, first: date) -> date:
    return first - DAY if job.period == "day" else (first - DAY).replace(day=1)


def _key(job: CalendarJob, first: date) -> str:
    return first.isoformat() if job.period == "day" else first.isoformat()[:7]


def _first_day(job: CalendarJob, key: str) -> date:
    return date.fromisoformat(key if job.period == "day" else f"{key}-01")
