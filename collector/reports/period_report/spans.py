"""Where nothing was known: gaps of panels, cut to days, and what share of a day is left."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from collector.core.calendar import begin_of
from collector.plant.model import Plant
from collector.reports.alarm_history import Gap
from collector.reports.period_report.period import Period
from collector.reports.view_parts import Present

NEARLY_ALL = 0.999
"""A share of a time from which on all of it counts; days are cut to the microsecond."""


class Known:
    """How much of a time is known of each piece of equipment.

    Args:
        plant: the plant file.
        gaps: of panels.
        period: beyond its last sign nothing is known.
        began_utc_us: the first record; before it nothing is known.
    """

    def __init__(
        self, plant: Plant, gaps: Iterable[Gap], period: Period, began_utc_us: int
    ) -> None:
        self._gaps: dict[str, list[tuple[int, int]]] = {name: [] for name in plant.panels}
        for gap in gaps:
            end_us = period.to_utc_us if gap.to_utc_us is None else gap.to_utc_us
            self._gaps.setdefault(gap.panel, []).append((gap.from_utc_us, end_us))
        present = Present(plant, {})
        self._panels = {name: present.panels_of(name) for name in plant.equipment}
        self._period = period
        self._began_us = began_utc_us

    def watched(self) -> tuple[int, int]:
        """What of the period was watched at all; UTC in microseconds."""
        begin = min(max(self._began_us, self._period.from_utc_us), self._period.to_utc_us)
        return begin, max(begin, self._period.known_to_utc_us)

    def counted(self) -> tuple[int, int]:
        """What of it the totals cover, which are told of days that have ended."""
        begin, end = self.watched()
        if self._period.known_to_utc_us < self._period.to_utc_us:
            end = max(begin, begin_of("day", end, self._period.zone))
        return begin, end

    def unknown_s(self, name: str, from_us: int, to_us: int) -> float:
        """Seconds of a time in which a panel, or any panel of some equipment, was not known."""
        panels: Iterable[str] = self._panels.get(name, (name,))
        ends = [
            (max(begin, from_us), min(end, to_us))
            for panel in panels
            for begin, end in self._gaps.get(panel, ())
        ]
        ends.append((from_us, min(self._began_us, to_us)))
        ends.append((max(self._period.known_to_utc_us, from_us), to_us))
        return joined_s(ends)

    def share(self, name: str, from_us: int, to_us: int) -> float:
        """Known share of a time, 0 to 1."""
        return 1.0 - self.unknown_s(name, from_us, to_us) / ((to_us - from_us) / 1e6)


def joined_s(spans: Sequence[tuple[int, int]]) -> float:
    """Length of what some spans cover together, in s."""
    total, until = 0, -(1 << 62)
    for begin, end in sorted(spans):
        if end > max(begin, until):
            total += end - max(begin, until)
            until = end
    return total / 1e6


def stretches(spans: Sequence[tuple[int, int]]) -> int:
    """Into how many stretches some spans fall, those that touch or overlap being one."""
    count, until = 0, -(1 << 62)
    for begin, end in sorted(spans):
        count += begin > until
        until = max(until, end)
    return count
