"""Figures of whole days, derived again and held against those on record.

A figure that stands for a day (a dose, an overflow rate, a residual) is told by itself at full
hours, where it is news. What counts of a day is what stood at its end. These are compared and
shown, and not written: single figures are on record in the order of plant time, and whoever reads
the newest takes it for what is so now.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from math import isclose
from zoneinfo import ZoneInfo

from collector.core.calendar import begin_of, end_of
from collector.core.quantities import QUANTITIES
from collector.core.records import Derived, RecordKind, Value
from collector.journal.reader import JournalReader
from collector.reports.eras import ALL, EVER_US, Eras

OF_DAYS = frozenset({"chemical_per_day", *(name for name in QUANTITIES if name.endswith("_day"))})
NEWS = 0.05
"""A figure is told again once it has moved by this share: by so much what stands may be off."""


@dataclass(frozen=True, slots=True)
class DayDifference:
    """A figure of a day that comes out otherwise than it is on record; None where there is none.

    Args:
        subject: ``equipment.quantity``.
        from_us: plant time at which the day began.
        before, after: on record and derived again, SI.
    """

    subject: str
    from_us: int
    before: Value
    after: Value


class DayFigures:
    """Collects what is derived, to hold it against the journal."""

    def __init__(self) -> None:
        self._derived: dict[str, list[tuple[int, Value]]] = {}

    def take(self, figure: Derived) -> None:
        """A figure was derived; those of days are kept."""
        if figure.subject.rpartition(".")[2] in OF_DAYS:
            self._derived.setdefault(figure.subject, []).append((figure.at_us, figure.value))

    def differences(
        self, reader: JournalReader, eras: Eras, zone: ZoneInfo, from_us: int, to_us: int
    ) -> tuple[int, list[DayDifference]]:
        """How many figures of days wholly in the span there are, and those that differ."""
        days = list(_days(eras, zone, from_us, to_us))
        count, found = 0, []
        for subject in sorted({*self._derived, *_on_record(reader)}):
            recorded = sorted(
                (
                    (record.after_us, record.value)
                    for record in reader.history(subject, 0, EVER_US, ALL)
                    if record.kind is RecordKind.DERIVED
                ),
                key=lambda told: told[0],
            )
            derived = self._derived.get(subject, [])
            for begin_us, end_us in days:
                before, after = _standing(recorded, end_us), _standing(derived, end_us)
                count += after is not None
                if not _is_same(before, after):
                    found.append(DayDifference(subject, begin_us, before, after))
        return count, sorted(found, key=lambda one: (one.from_us, one.subject))


def _on_record(reader: JournalReader) -> Iterable[str]:
    latest = reader.latest((RecordKind.DERIVED,))
    return (subject for _, subject in latest if subject.rpartition(".")[2] in OF_DAYS)


def _days(eras: Eras, zone: ZoneInfo, from_us: int, to_us: int) -> Iterable[tuple[int, int]]:
    """Begin and end, plant time, of the days wholly in a span."""
    begin_us = begin_of("day", eras.wall_us(from_us), zone)
    while True:
        end_us = end_of("day", begin_us, zone)
        ends_us = eras.plant_us(end_us)
        if ends_us > to_us:
            return
        if eras.plant_us(begin_us) >= from_us:
            yield eras.plant_us(begin_us), ends_us
        begin_us = end_us


def _standing(told: list[tuple[int, Value]], at_us: int) -> Value:
    """What stood at an instant, of figures in the order of time."""
    place = bisect_right(told, at_us, key=lambda each: each[0])
    return told[place - 1][1] if place else None


def _is_same(before: Value, after: Value) -> bool:
    if isinstance(before, int | float) and isinstance(after, int | float):
        return isclose(before, after, rel_tol=NEWS, abs_tol=1e-12)
    return before == after
