"""Who is told of what: people with their hours, the turns in which an alarm is passed on.

Hours are on the wall clock of the plant's time zone. Nobody is never told: where nobody of the
turns is on, it is the fallback person, at any hour.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

MINUTE_US = 60_000_000
PRIORITIES = ("high", "medium", "low")


@dataclass(frozen=True, slots=True)
class Hours:
    """When somebody is on.

    Args:
        weekdays: on which it begins, Monday 0.
        from_minute, to_minute: minutes of the day; one that ends before it begins ends on the next
            day, one that ends when it begins lasts 24 hours.
    """

    weekdays: frozenset[int]
    from_minute: int
    to_minute: int

    def hold(self, at: datetime) -> bool:
        """Whether a local instant lies in them."""
        minute = at.hour * 60 + at.minute
        if self.from_minute < self.to_minute:
            return at.weekday() in self.weekdays and self.from_minute <= minute < self.to_minute
        if minute >= self.from_minute:
            return at.weekday() in self.weekdays
        return minute < self.to_minute and (at.weekday() - 1) % 7 in self.weekdays


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is told.

    Args:
        name: as in the settings.
        ways: names of ways, all of them used.
        hours: when on; empty for always.
        priorities: of alarms wanted.
        equipment: only alarms of this equipment; empty for all.
        service: told once of each task that falls due.
        digest: gets the morning digest.
    """

    name: str
    ways: tuple[str, ...]
    hours: tuple[Hours, ...] = ()
    priorities: frozenset[str] = frozenset(PRIORITIES)
    equipment: frozenset[str] = frozenset()
    service: bool = False
    digest: bool = False

    def on(self, at: datetime) -> bool:
        """Whether on at a local instant."""
        return not self.hours or any(each.hold(at) for each in self.hours)

    def works(self, weekday: int) -> bool:
        """Whether any of the hours begin on a weekday."""
        return not self.hours or any(weekday in each.weekdays for each in self.hours)

    def wants(self, priority: str, equipment: str) -> bool:
        """Whether such an alarm is wanted; one of unknown priority is."""
        of_priority = not priority or priority in self.priorities
        return of_priority and (not self.equipment or equipment in self.equipment)


@dataclass(frozen=True, slots=True)
class Turn:
    """People who are told when nobody has acknowledged for so long."""

    people: tuple[str, ...]
    after_us: int = 0


@dataclass(frozen=True, slots=True)
class Routes:
    """All of it.

    Args:
        people: by name.
        turns: the first at once, then as time passes without acknowledgement.
        fallback: told where nobody of the turns is on.
        repeat_us, repeats: how often an alarm that stands unacknowledged is told again, and how
            many times at most.
        digest_minute: minute of the local day of the digest.
        chatter_times, chatter_us: an alarm raised so often in so long is told as chattering; its
            further activations are counted and told together. Three times is the screening
            convention quoted with ISA-18.2, over a longer time, since people read slower.
        flood_more, flood_ends, flood_us: a flood begins above so many alarms in so long and ends
            below the other. Source: ISA-18.2 as quoted, above 10 and below 5 in 10 min.
    """

    people: Mapping[str, Person]
    turns: tuple[Turn, ...]
    fallback: str
    repeat_us: int = 30 * MINUTE_US
    repeats: int = 4
    digest_minute: int = 7 * 60
    chatter_times: int = 3
    chatter_us: int = 10 * MINUTE_US
    flood_more: int = 10
    flood_ends: int = 5
    flood_us: int = 10 * MINUTE_US

    def recipients(
        self, priority: str, equipment: str, age_us: int, at: datetime
    ) -> frozenset[str]:
        """Who is to know of an alarm.

        Args:
            priority, equipment: of the alarm.
            age_us: how long it has stood unacknowledged.
            at: local time at which people have to be on.
        """

        def on(turn: Turn) -> set[str]:
            people = (self.people[name] for name in turn.people)
            return {one.name for one in people if one.wants(priority, equipment) and one.on(at)}

        found: set[str] = set()
        for turn in self.turns:
            if turn.after_us <= age_us or not found:
                found |= on(turn)
        if not found and self.people[self.fallback].wants(priority, equipment):
            found = {self.fallback}
        return frozenset(found)
