"""Hours, days and months of time zones, against facts of the IANA time zone database.

The instants at which zones move their clocks are written here as published there (files europe,
asia, australasia, northamerica), not computed.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.calendar import begin_of, end_of, next_hour

HOUR_US = 3_600_000_000
LONDON = ZoneInfo("Europe/London")
ZONES = (
    "Europe/London", "Asia/Kathmandu", "Australia/Lord_Howe", "America/Havana", "Pacific/Apia",
    "America/Santiago", "Africa/Cairo", "UTC",
)  # fmt: skip


def utc(text: str) -> int:
    """An instant in microseconds since 1970."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000


@pytest.mark.parametrize(
    ("zone", "inside", "begin", "end", "hours"),
    [
        # London: summer time from 2026-03-29 01:00 UTC to 2026-10-25 01:00 UTC (file europe, EU).
        ("Europe/London", "2026-03-29T12:00", "2026-03-29T00:00", "2026-03-29T23:00", 23),
        ("Europe/London", "2026-10-25T12:00", "2026-10-24T23:00", "2026-10-26T00:00", 25),
        ("Europe/London", "2026-01-15T12:00", "2026-01-15T00:00", "2026-01-16T00:00", 24),
        # Kathmandu is 5:45 ahead of UTC all year (file asia).
        ("Asia/Kathmandu", "2026-01-15T12:00", "2026-01-14T18:15", "2026-01-15T18:15", 24),
        # Havana: 2026-11-01 01:00 becomes 00:00, midnight comes twice (file northamerica, Cuba).
        ("America/Havana", "2026-11-01T12:00", "2026-11-01T04:00", "2026-11-02T05:00", 25),
        # Havana: 2026-03-08 00:00 becomes 01:00, there is no midnight.
        ("America/Havana", "2026-03-08T12:00", "2026-03-08T05:00", "2026-03-09T04:00", 23),
        # Lord Howe: half an hour, 10:30 to 11 ahead, back on 2026-04-05 at 02:00 (australasia).
        ("Australia/Lord_Howe", "2026-04-05T00:00", "2026-04-04T13:00", "2026-04-05T13:30", 24.5),
    ],
)
def test_days_begin_and_end_when_the_zone_says(
    zone: str, inside: str, begin: str, end: str, hours: float
) -> None:
    """A plant day lasts from its midnight to the next, 23, 24, 24.5 or 25 hours."""
    day_us = begin_of("day", utc(inside), ZoneInfo(zone))
    following_us = begin_of("day", utc(end), ZoneInfo(zone))
    assert day_us == utc(begin)
    assert following_us == utc(end)
    assert begin_of("day", utc(end) - 1, ZoneInfo(zone)) == day_us
    assert end_of("day", utc(inside), ZoneInfo(zone)) == utc(end)
    assert following_us - day_us == hours * HOUR_US


def test_a_month_begins_at_the_midnight_of_its_first_day() -> None:
    """March 2026 in London begins in winter time and ends in summer time."""
    assert begin_of("month", utc("2026-03-31T12:00"), LONDON) == utc("2026-03-01T00:00")
    assert begin_of("month", utc("2026-03-31T23:30"), LONDON) == utc("2026-03-31T23:00")
    assert end_of("month", utc("2026-03-31T12:00"), LONDON) == utc("2026-03-31T23:00")


@given(st.integers(utc("2020-01-01"), utc("2035-01-01")), st.sampled_from(ZONES))
def test_hours_are_short_steps_at_full_minutes_and_days_and_months_begin_at_one(
    at_us: int, name: str
) -> None:
    """From any instant the next boundary comes within the hour; within it no day begins."""
    zone = ZoneInfo(name)
    next_us = next_hour(at_us, zone)
    assert at_us < next_us <= at_us + HOUR_US
    assert begin_of("hour", at_us, zone) <= at_us
    for period in ("day", "month"):
        assert begin_of(period, next_us - 1, zone) == begin_of(period, at_us, zone)
