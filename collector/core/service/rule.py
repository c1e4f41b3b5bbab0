"""A task of service as it is run: bound to one piece of equipment, figures in SI."""

from __future__ import annotations

from dataclasses import dataclass

from collector.core.conditions.contract import Condition
from collector.units import UNITS, Unit


@dataclass(frozen=True, slots=True)
class Counted:
    """A way to count use.

    Args:
        quantity: the cumulated quantity it is read from (``core/quantities.py``).
        unit: in which intervals of it are shown.
        means: for people.
    """

    quantity: str
    unit: Unit
    means: str


COUNTED: dict[str, Counted] = {
    "run_hours": Counted("run_hours", UNITS["h"], "run hours"),
    "starts": Counted("starts", UNITS["1"], "starts"),
    "cycles": Counted("cleanings", UNITS["1"], "cleaning cycles"),
    "volume": Counted("volume_pumped", UNITS["m3"], "volume pumped"),
}


@dataclass(frozen=True, slots=True)
class UseInterval:
    """Due after so much use.

    Args:
        counts: a key of ``COUNTED``.
        amount: SI.
    """

    counts: str
    amount: float


@dataclass(frozen=True, slots=True)
class CalendarInterval:
    """Due after so many months and days of the calendar."""

    months: int
    days: int

    @property
    def text(self) -> str:
        """For people: ``6 months``, ``30 days``."""
        parts = []
        if self.months:
            years, months = divmod(self.months, 12)
            parts += [_counted(years, "year")] if years else []
            parts += [_counted(months, "month")] if months else []
        if self.days:
            parts.append(_counted(self.days, "day"))
        return " and ".join(parts)


@dataclass(frozen=True, slots=True)
class ConditionInterval:
    """Due when a condition holds."""

    condition: Condition


Interval = UseInterval | CalendarInterval | ConditionInterval


@dataclass(frozen=True, slots=True)
class ServiceRule:
    """One task for one piece of equipment.

    Args:
        equipment, task: what it is about, and its name.
        title: in a few words, with the equipment's title.
        intervals: whichever comes first.
        notice_ahead_days: told as due soon so many days before.
        minutes: how long it takes; None where nobody said.
        tools, parts, steps: for the sheet.
        cautions: in full.
        order: walking order on site, the lowest first.
        example: whether the interval is an example, to be replaced by the maker's figure.
        source: file and line, for people.
    """

    equipment: str
    task: str
    title: str
    intervals: tuple[Interval, ...]
    notice_ahead_days: float
    minutes: float | None = None
    tools: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    order: int = 0
    example: bool = False
    source: str = ""

    @property
    def subject(self) -> str:
        """``equipment.task``."""
        return f"{self.equipment}.{self.task}"


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
