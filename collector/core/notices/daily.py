"""What is told once a plant day: the digest, and what service fell due.

It is keyed by its day, so that restarts, steps of the clock and days of 23 or 25 hours neither skip
nor double one. The newest day alone counts: what was missed of earlier ones is in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta, tzinfo

from collector.core.calendar import instant_us, local
from collector.core.notices.kept import Told
from collector.core.notices.notice import DIGEST, SERVICE, Notice, id_of
from collector.core.notices.routes import Person

DUE_STATES = ("due", "overdue")


def digest_instant_us(day: date, minute: int, zone: tzinfo) -> int:
    """When the digest of a day is due, UTC in microseconds.

    A time that the zone leaves out that day is as far into it by the clocks of before; of one that
    comes twice it is the first.
    """
    at = datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone)
    return instant_us(at)


def digest_day(utc_us: int, minute: int, zone: tzinfo) -> date:
    """The latest day whose digest is due by an instant."""
    day = local(utc_us, zone).date() + timedelta(days=1)
    while digest_instant_us(day, minute, zone) > utc_us:
        day -= timedelta(days=1)
    return day


class Morning:
    """The day whose digest is the newest that is due.

    Args:
        utc_us: this instant.
        minute: of the local day at which digests are due.
        zone: the plant's time zone.
    """

    def __init__(self, utc_us: int, minute: int, zone: tzinfo) -> None:
        self.day = digest_day(utc_us, minute, zone)
        self.next_us = digest_instant_us(self.day + timedelta(days=1), minute, zone)
        self.is_today = local(utc_us, zone).date() == self.day


def daily_notice(
    person: Person,
    to: str,
    told: Told,
    service: Mapping[str, Mapping[str, object]],
    morning: Morning,
) -> Notice | None:
    """The digest of the newest day, or what service fell due, unless it has been told.

    Args:
        person, to: who, and ``person.way``.
        told: what was told that way.
        service: every task as it stands.
        morning: the day.
    """
    kind = DIGEST if person.digest else SERVICE if person.service else ""
    day = morning.day.isoformat()
    if not kind or not person.works(morning.day.weekday()) or (kind, day) in told.days:
        return None
    about = service_due(service)
    if kind == SERVICE:
        if not morning.is_today:  # what changes at midnight waits for the morning
            return None
        about = {task: word for task, word in about.items() if _last_word(told, task) != word}
        if not about:
            return None
    return Notice(id_of(to, kind, day), to, kind, about, day)


def service_due(service: Mapping[str, Mapping[str, object]]) -> dict[str, str]:
    """State of each task that is due, with the date from which it counts."""
    return {
        subject: f"{body['state']} since {body.get('since')}"
        for subject, body in sorted(service.items())
        if body.get("state") in DUE_STATES
    }


def _last_word(told: Told, key: str) -> str:
    words = told.about.get(key)
    return words[-1][1] if words else ""
