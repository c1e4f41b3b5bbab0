"""Hours, plant days and months on the wall clock of the plant's time zone.

A plant day begins at the zone's midnight; where the zone changes its clocks that day, it has 23 or
25 hours. An hour that a zone repeats is two hours. Where midnight itself is left out the day begins
at the instant the clocks move, where it comes twice at the first.

Source: IANA time zone database, as ``zoneinfo`` reads it.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
PERIODS = ("hour", "day", "month")


def local(wall_us: int, zone: tzinfo) -> datetime:
    """An instant as the zone's clocks show it.

    Args:
        wall_us: microseconds since 1970, UTC.

    Raises:
        OverflowError: beyond the years 1 to 9999.
    """
    return (EPOCH + timedelta(microseconds=wall_us)).astimezone(zone)


def instant_us(local_time: datetime) -> int:
    """The instant of a zone's local time, in microseconds since 1970, UTC."""
    return (local_time - EPOCH) // MICROSECOND


def begin_of(period: str, wall_us: int, zone: tzinfo) -> int:
    """When the hour, day or month began in which an instant lies."""
    at = local(wall_us, zone)
    if period == "hour":
        return wall_us - _into_hour_us(at)
    day = at.replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    return instant_us(day if period == "day" else day.replace(day=1))


def end_of(period: str, wall_us: int, zone: tzinfo) -> int:
    """When the hour, day or month ends in which an instant lies."""
    if period == "hour":
        return next_hour(wall_us, zone)
    surely_later_us = round({"day": 1.5, "month": 40.0}[period] * 86_400e6)
    return begin_of(period, begin_of(period, wall_us, zone) + surely_later_us, zone)


def next_hour(wall_us: int, zone: tzinfo) -> int:
    """The next full hour after an instant; every day and month begins at one."""
    return wall_us + 3_600_000_000 - _into_hour_us(local(wall_us, zone))


def _into_hour_us(at: datetime) -> int:
    return (at.minute * 60 + at.second) * 1_000_000 + at.microsecond
