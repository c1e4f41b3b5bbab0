"""Calendar work: each period once, whatever clocks, restarts and time zones do.

When a local time is due is checked against dateutil, a general library with its own reader of the
IANA time zone database, through every change of offset of several zones between 1990 and 2036.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz
from hypothesis import given
from hypothesis import strategies as st

from collector.core.calendar import instant_us, local
from collector.core.calendar_keys import MOST_MADE_UP, CalendarJob, due_us, keys_due

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
ZONES = (
    "UTC", "Europe/Berlin", "Europe/Dublin", "America/St_Johns", "America/Havana",
    "Australia/Lord_Howe", "Antarctica/Troll", "Africa/Casablanca", "Asia/Tehran",
    "Pacific/Apia", "Pacific/Kwajalein",
)  # fmt: skip
TIMES = (time(0), time(0, 30), time(2), time(2, 30), time(4, 10), time(23, 45))
BERLIN = ZoneInfo("Europe/Berlin")
DAILY = CalendarJob("backup", time(4, 10))
DAY_ENDED = CalendarJob("check", time(3, 40), ended=True, every_missed=True)
MONTH_ENDED = CalendarJob("closing", time(5), period="month", ended=True)


def utc_us(text: str) -> int:
    return instant_us(datetime.fromisoformat(text))


def days_of_change(zone: str) -> list[date]:
    """The days on which a zone's offset changes, and those around them."""
    there = tz.gettz(zone)
    found = set()
    day = datetime(1990, 1, 1, tzinfo=UTC)
    while day.year < 2037:
        following = day + timedelta(days=1)
        if day.astimezone(there).utcoffset() != following.astimezone(there).utcoffset():
            found |= {day.date() + timedelta(days=near) for near in (-1, 0, 1, 2)}
        day = following
    return sorted(found)


@pytest.mark.parametrize("zone", ZONES)
def test_a_local_time_is_due_when_another_reader_of_the_database_says(zone: str) -> None:
    """Through every change: twice means the first time, left out means as much later."""
    there, here = tz.gettz(zone), ZoneInfo(zone)
    for day in days_of_change(zone) or [date(2026, 3, 29)]:
        for at in TIMES:
            meant = tz.resolve_imaginary(datetime.combine(day, at, there))
            expected = meant.astimezone(UTC)
            found = due_us(CalendarJob("job", at), day.isoformat(), here)
            assert local(found, UTC) == expected, (zone, day, at)


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("at", TIMES)
def test_through_every_change_each_day_of_the_zone_comes_once(zone: str, at: time) -> None:
    """Looking every 20 minutes around a change: no day is left out, none comes again."""
    here, job = ZoneInfo(zone), CalendarJob("job", at)
    changes = days_of_change(zone)
    for change in changes[:: max(1, len(changes) // 24)]:
        begin_us = instant_us(datetime.combine(change - timedelta(days=3), time(12), UTC))
        done: list[str] = []
        for step in range(7 * 72):
            wall_us = begin_us + step * HOUR_US // 3
            due = keys_due(job, wall_us, here, done)
            assert all(due_us(job, key, here) <= wall_us for key in due)
            done += due
        days = [date.fromisoformat(key) for key in done]
        there = tz.gettz(zone)
        shown = {
            (datetime.fromtimestamp(begin_us / 1e6, UTC) + timedelta(hours=hour))
            .astimezone(there).date()
            for hour in range(7 * 24)
        }  # fmt: skip
        assert sorted(set(days)) == days
        assert set(days) >= {day for day in shown if days[0] <= day <= days[-1]}
        assert set(days) - {days[0]} <= shown


def test_half_past_two_in_berlin() -> None:
    """2026-10-25 has it twice and means the first; 2026-03-29 has none and means half past three.

    Source: Directive 2000/84/EC, changes at 01:00 UTC on the last Sundays of March and October.
    """
    job = CalendarJob("job", time(2, 30))
    assert due_us(job, "2026-10-25", BERLIN) == utc_us("2026-10-25T00:30:00+00:00")
    assert due_us(job, "2026-03-29", BERLIN) == utc_us("2026-03-29T01:30:00+00:00")
    first = keys_due(job, utc_us("2026-10-25T00:30:00+00:00"), BERLIN, {"2026-10-24"})
    assert first == ["2026-10-25"]
    assert keys_due(job, utc_us("2026-10-25T01:30:00+00:00"), BERLIN, {*first}) == []


def test_a_day_that_was_left_out_has_no_work() -> None:
    """Samoa went from 2011-12-29 to 2011-12-31. Source: IANA time zone database, Pacific/Apia."""
    apia = ZoneInfo("Pacific/Apia")
    job = CalendarJob("check", time(3, 40), ended=True, every_missed=True)
    due = keys_due(job, utc_us("2012-01-02T00:00:00+00:00"), apia, {"2011-12-28"})
    assert due == ["2011-12-29", "2011-12-31", "2012-01-01"]


def test_what_was_missed_is_made_up_for_as_the_job_wants() -> None:
    """Of backups the newest only, of checks each day, but not those of a year ago."""
    wall_us = utc_us("2026-07-10T12:00:00+02:00")
    assert keys_due(DAILY, wall_us, BERLIN, {"2026-07-06"}) == ["2026-07-10"]
    assert keys_due(DAY_ENDED, wall_us, BERLIN, {"2026-07-06"}) == [
        "2026-07-07", "2026-07-08", "2026-07-09",
    ]  # fmt: skip
    assert len(keys_due(DAY_ENDED, wall_us, BERLIN, {"2025-07-06"})) == MOST_MADE_UP
    assert keys_due(DAY_ENDED, wall_us, BERLIN, ()) == ["2026-07-09"]


def test_months_end_on_the_first_of_the_next() -> None:
    """A month's work is due at its time on the first day after it."""
    early, late = utc_us("2026-08-01T04:59:00+02:00"), utc_us("2026-08-01T05:00:00+02:00")
    assert keys_due(MONTH_ENDED, early, BERLIN, ()) == ["2026-06"]
    assert keys_due(MONTH_ENDED, late, BERLIN, {"2026-06"}) == ["2026-07"]
    assert keys_due(MONTH_ENDED, utc_us("2027-01-05T00:00:00+01:00"), BERLIN, ()) == ["2026-12"]


def test_nothing_is_due_of_the_time_before_the_record_began() -> None:
    """Unless the record seems to begin in the future, which only a wrong clock can have said."""
    wall_us, begun_us = utc_us("2026-07-10T12:00:00+02:00"), utc_us("2026-07-10T09:00:00+02:00")
    assert keys_due(DAILY, wall_us, BERLIN, (), begun_us) == []
    assert keys_due(DAILY, wall_us + DAY_US, BERLIN, (), begun_us) == ["2026-07-11"]
    assert keys_due(DAILY, wall_us, BERLIN, (), utc_us("2099-01-01T00:00:00Z")) == ["2026-07-10"]


def test_a_clock_that_stood_decades_ahead_stops_nothing() -> None:
    """What was done under a wrong date is done; the right days come all the same."""
    done = {"2026-07-09", "2061-01-01"}
    wall_us = utc_us("2026-07-10T12:00:00+02:00")
    assert keys_due(DAILY, wall_us, BERLIN, done) == ["2026-07-10"]
    assert keys_due(DAY_ENDED, wall_us + DAY_US, BERLIN, done) == ["2026-07-10"]


@given(st.integers(0, 10_000), st.sampled_from(ZONES), st.sampled_from(TIMES), st.booleans())
def test_restarts_missed_times_and_steps_neither_skip_nor_double(
    seed: int, zone: str, at: time, every: bool
) -> None:
    """Whenever somebody looks, the newest period is done afterwards, and nothing is done twice.

    The clock runs, stands still, is stepped both ways by up to five days; looks are missed.
    """
    random, here = Random(seed), ZoneInfo(zone)
    job = CalendarJob("job", at, every_missed=every)
    wall_us = utc_us("2011-12-20T00:00:00Z") + random.randrange(400) * DAY_US
    done: list[str] = []
    for _ in range(60):
        wall_us += random.choice(
            (HOUR_US, HOUR_US, 7 * HOUR_US, DAY_US, 3 * DAY_US, -HOUR_US, -5 * DAY_US, 5 * DAY_US)
        )
        due = keys_due(job, wall_us, here, done)
        assert not set(due) & set(done)
        done += due
        assert keys_due(job, wall_us, here, done) == []
        newest = max(key for key in done if due_us(job, key, here) <= wall_us)
        assert wall_us - due_us(job, newest, here) < 2 * DAY_US


@given(st.integers(0, 10_000), st.sampled_from(ZONES), st.sampled_from(TIMES))
def test_where_each_period_counts_none_is_left_out(seed: int, zone: str, at: time) -> None:
    """On a clock that runs on, with stops of up to three weeks, every day of the zone is done."""
    random, here = Random(seed), ZoneInfo(zone)
    job = CalendarJob("job", at, ended=True, every_missed=True)
    wall_us = utc_us("2011-12-01T00:00:00Z") + random.randrange(400) * DAY_US
    done: list[str] = []
    for _ in range(20):
        wall_us += random.randrange(1, 21 * 24) * HOUR_US
        done += keys_due(job, wall_us, here, done)
    days = [date.fromisoformat(key) for key in done]
    assert sorted(set(days)) == days
    left_out = {days[0] + timedelta(days=n) for n in range((days[-1] - days[0]).days)} - {*days}
    assert left_out <= ({date(2011, 12, 30)} if zone == "Pacific/Apia" else set())
