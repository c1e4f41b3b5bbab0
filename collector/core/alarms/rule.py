"""An alarm rule as the desk runs it: bound to one piece of equipment, all times in plant time."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from collector.core.conditions.contract import Condition


class Priority(IntEnum):
    """How soon and how gravely; the three of the usual priority table of ISA-18.2."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3

    @property
    def word(self) -> str:
        """The word people and other programs read."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Stands:
    """It is so when the condition has held for the on-delay."""


@dataclass(frozen=True, slots=True)
class Happens:
    """It is so when the condition has become true more than ``times`` within a window."""

    times: int
    within_us: int


@dataclass(frozen=True, slots=True)
class Missing:
    """It is so when the condition has not been true for a time; unknown time starts it again."""

    for_us: int


Shape = Stands | Happens | Missing


@dataclass(frozen=True, slots=True)
class Suppression:
    """While this holds the alarm is suppressed by design."""

    condition: Condition
    reason: str


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One rule for one piece of equipment.

    Args:
        subject: ``equipment.rule``; the equipment may be a panel or ``collector``.
        title: what a person is told, in a few words, with the equipment's title in it.
        condition: what is watched.
        shape: how the condition makes the alarm.
        on_delay_us: how long it must be so before the alarm is raised.
        off_delay_us: how long it must not be so before the alarm clears.
        priority: by consequence and time to respond.
        causes: likely causes, the likeliest first.
        consequence: what happens if nobody does anything.
        response: what to do.
        respond_within_s: time to respond.
        caution: what to beware of, in full; empty where nothing can hurt.
        latching: whether it stays until it is reset after it has cleared.
        suppressions: by design; the first that holds gives the reason.
        source: file and line, for people.
    """

    subject: str
    title: str
    condition: Condition
    shape: Shape
    on_delay_us: int
    off_delay_us: int
    priority: Priority
    causes: tuple[str, ...]
    consequence: str
    response: str
    respond_within_s: float
    caution: str = ""
    latching: bool = False
    suppressions: tuple[Suppression, ...] = ()
    source: str = ""
