"""How much a machine was used: a figure that only grows, day by day, and at any moment of the past.

What is read is the cumulated quantity that the engine tells (run hours, starts, volume), with its
bounds. At the end of each plant day it is noted. At a moment within a past day it lies between the
figures of the day's ends, and that is what is said of it. A figure that fell was begun again by
another program state or machine: what came before is added on.
"""

from __future__ import annotations

from dataclasses import dataclass

from collector.core.service.forecast import DayUse

MOST_DAYS = 430
"""A year and what the season's comparison looks at beside it."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A cumulated figure with its bounds, SI.

    Args:
        value, low, high: how far it has come, with all that is unknown of the time before.
        less, more: how much of it may lie on the other side of the moment it is given for, because
            only readings before and after that moment are known.
    """

    value: float
    low: float
    high: float
    less: float = 0.0
    more: float = 0.0

    def since(self, earlier: Figure) -> Figure:
        """What was added since an earlier reading; never less than nothing.

        Unknown time before the earlier reading is no doubt about what came after it, so the widths
        are subtracted. Not knowing where the moments lie between readings is, so that is added.
        """
        value = max(0.0, self.value - earlier.value)
        below = max(0.0, (self.value - self.low) - (earlier.value - earlier.low))
        above = max(0.0, (self.high - self.value) - (earlier.high - earlier.value))
        below += self.less + earlier.more
        above += self.more + earlier.less
        return Figure(value, max(0.0, value - below), value + above)


def between(before: Figure, after: Figure, share: float) -> Figure:
    """The figure at a moment between two readings.

    Args:
        before, after: the readings.
        share: where the moment lies, for the figure; its doubt is all that was added in between,
            unknown time too.
    """
    value = before.value + share * max(0.0, after.value - before.value)
    low, high = value - (before.value - before.low), value + (before.high - before.value)
    added = after.since(before)
    return Figure(
        value, low, high, value - before.value, max(0.0, before.value + added.high - value)
    )


class UseHistory:
    """The use of one machine in one way of counting."""

    def __init__(self) -> None:
        self.now: Figure | None = None
        self._added = 0.0
        self._ends: dict[int, Figure] = {}  # by number of the day that ended

    def take(self, value: float, low: float | None, high: float | None) -> None:
        """The cumulated figure is so now."""
        low = value if low is None else min(low, value)
        high = value if high is None else max(high, value)
        if self.now is not None and value + self._added < self.now.value:
            self._added = self.now.value - value
        self.now = Figure(value + self._added, low + self._added, high + self._added)

    def end_day(self, day: int) -> None:
        """A plant day has ended; ``day`` is its number."""
        if self.now is None:
            return
        self._ends[day] = self.now
        while len(self._ends) > MOST_DAYS:
            del self._ends[min(self._ends)]

    def at(self, day: int, fraction: float) -> Figure | None:
        """The cumulated figure at a moment of a past day, None where nothing is known of it.

        Args:
            day: number of the day.
            fraction: how far the day had gone.
        """
        before, after = self._ends.get(day - 1), self._ends.get(day, self.now)
        if after is None:
            return None
        if before is None:
            earlier = [number for number in self._ends if number < day]
            before = self._ends[max(earlier)] if earlier else None
            if before is None:
                return None
        return between(before, after, fraction)

    def days(self) -> list[DayUse]:
        """The use of each whole day that is known, in order."""
        found = []
        for day in sorted(self._ends):
            earlier = self._ends.get(day - 1)
            if earlier is not None:
                used = self._ends[day].since(earlier)
                found.append(DayUse(day, used.value, used.low, used.high))
        return found

    def save(self) -> list[list[float]]:
        """Its state as rows of numbers; rounded to a millionth, which no bound reaches."""
        now = self.now
        rows = [[0.0, *_row(now)] if now is not None else [], [self._added]]
        return rows + [[float(day), *_row(figure)] for day, figure in self._ends.items()]

    def restore(self, rows: list[list[float]]) -> None:
        """Take back a state from ``save``."""
        now, (self._added,) = rows[0], rows[1]
        self.now = Figure(now[1], now[2], now[3]) if now else None
        self._ends = {int(day): Figure(v, low, high) for day, v, low, high in rows[2:]}


def _row(figure: Figure) -> list[float]:
    return [round(figure.value, 6), round(figure.low, 6), round(figure.high, 6)]
