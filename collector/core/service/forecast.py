"""When a use that is counted will reach its interval, with a range.

The use of each whole day is known with bounds (unknown run time widens them). Recent weeks say how
the machine is used: a weekday is expected to be like the same weekday of the last weeks, pulled
towards the mean of all days where there are few of them, so that a park's weekends count and a
single odd day does not make the date jump. The level follows the season slowly: days count less the
older they are, half as much after three weeks. Where a year of days is known, how this time of last
year went on from the weeks before it moves the expectation, by half of what it says, since no year
repeats another.

The range is made of the doubt of the mean, the scatter of single days and the drift of the level,
which grows with the time looked ahead. It is a range of about nine in ten; how often the truth lies
in it is counted on simulated plants.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

HALF_LIFE_DAYS = 21.0
LOOK_BACK_DAYS = 84
SHRINKAGE_DAYS = 2.0
"""A weekday's own mean counts as much as that of all days when it rests on so many days."""
DRIFT_PER_ROOT_DAY = 0.02
"""Share of the level by which it wanders in a day, as a random walk: seven weeks ahead a seventh;
chosen on simulated parks, tuned on other seeds than it is tried on."""
SEASON_DAYS = 365
SEASON_WINDOW_DAYS = 21
SEASON_WEIGHT = 0.5
SEASON_MOST = 3.0
"""A season may change the use by at most so many times, up or down."""
SIDE = 1.645
"""Standard deviations on either side for nine in ten, by the normal distribution."""
LONGEST_DAYS = 3650
LEAST_DAYS = 3


@dataclass(frozen=True, slots=True)
class DayUse:
    """What one whole plant day used.

    Args:
        day: its number, such as ``date.toordinal``; the weekday follows from it.
        value: the known part, in any unit.
        low, high: bounds of the truth.
    """

    day: int
    value: float
    low: float
    high: float

    @property
    def middle(self) -> float:
        """The figure that is expected: between the bounds, where time was unknown."""
        return self.value if self.high <= self.value else (self.low + self.high) / 2.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days from now until the interval is reached; None where that is beyond ten years.

    Args:
        early, likely, late: days, fractions included; ``early`` is the cautious one.
        per_day: mean use expected of the next week.
    """

    early: float | None
    likely: float | None
    late: float | None
    per_day: float


def forecast(
    history: Sequence[DayUse], today: int, remaining_low: float, remaining_high: float
) -> Forecast | None:
    """When what remains will be used up.

    Args:
        history: whole days in order, the newest last; days may be missing.
        today: number of the day on which this is asked.
        remaining_low: what remains if all unknown time was use; not below 0.
        remaining_high: what remains if none of it was.

    Returns:
        None where fewer than three days are known.
    """
    recent = [each for each in history if today - LOOK_BACK_DAYS <= each.day < today]
    if len(recent) < LEAST_DAYS:
        return None
    weights = [0.5 ** ((today - each.day) / HALF_LIFE_DAYS) for each in recent]
    total = sum(weights)
    mean = sum(w * each.middle for w, each in zip(weights, recent, strict=True)) / total
    by_weekday = _weekdays(recent, weights, mean)
    scatter = _scatter(recent, weights, by_weekday)
    unknown = sum(w * (e.high - e.low) / 2.0 for w, e in zip(weights, recent, strict=True)) / total
    effective = total * total / sum(w * w for w in weights)
    doubt = math.hypot(scatter / math.sqrt(effective), unknown)
    season = _Season(history, today)
    per_day = sum(by_weekday[(today + ahead) % 7] for ahead in range(7)) / 7.0
    remaining = (remaining_low + remaining_high) / 2.0
    early = likely = late = None
    cumulated = 0.0
    for ahead in range(LONGEST_DAYS):
        expected = by_weekday[(today + ahead) % 7] * season.factor(ahead)
        before, cumulated = cumulated, cumulated + expected
        days = ahead + 1.0
        slack = SIDE * math.sqrt(
            (doubt * days) ** 2
            + scatter * scatter * days
            + (mean * DRIFT_PER_ROOT_DAY) ** 2 * days**3 / 3.0
        )
        if early is None and cumulated + slack >= remaining_low:
            early = _within(ahead, before + slack, cumulated + slack, remaining_low)
        if likely is None and cumulated >= remaining:
            likely = _within(ahead, before, cumulated, remaining)
        if late is None and cumulated - slack >= remaining_high:
            late = days
            break
    return Forecast(early, likely, late, per_day)


def _within(ahead: int, before: float, after: float, wanted: float) -> float:
    """The fraction of a day at which a figure that grows evenly reaches what is wanted."""
    if after <= before or wanted <= before:
        return float(ahead)
    return ahead + (wanted - before) / (after - before)


def _weekdays(recent: Sequence[DayUse], weights: Sequence[float], mean: float) -> list[float]:
    """The use expected of each weekday, indexed by day number modulo 7."""
    sums, masses = [0.0] * 7, [0.0] * 7
    for weight, each in zip(weights, recent, strict=True):
        sums[each.day % 7] += weight * each.middle
        masses[each.day % 7] += weight
    return [
        (total + SHRINKAGE_DAYS * mean) / (mass + SHRINKAGE_DAYS)
        for total, mass in zip(sums, masses, strict=True)
    ]


def _scatter(
    recent: Sequence[DayUse], weights: Sequence[float], by_weekday: Sequence[float]
) -> float:
    """Standard deviation of a day about what is expected of its weekday."""
    squares = sum(
        weight * (each.middle - by_weekday[each.day % 7]) ** 2
        for weight, each in zip(weights, recent, strict=True)
    )
    return math.sqrt(squares / sum(weights))


class _Season:
    """How the use went on from this time of last year, if that is known."""

    def __init__(self, history: Sequence[DayUse], today: int) -> None:
        self._last_year = {each.day: each.middle for each in history}
        self._today = today
        self._base = self._mean(today - SEASON_DAYS - 1)

    def factor(self, ahead: int) -> float:
        """What the use is multiplied by, a number of days ahead."""
        if not self._base:
            return 1.0
        then = self._mean(self._today - SEASON_DAYS + ahead + SEASON_WINDOW_DAYS // 2)
        if then is None:
            return 1.0
        ratio = min(max(then / self._base, 1.0 / SEASON_MOST), SEASON_MOST)
        return 1.0 + SEASON_WEIGHT * (ratio - 1.0)

    def _mean(self, last_day: int) -> float | None:
        """Mean of three weeks up to a day; None where fewer than two of them are known."""
        days = range(last_day - SEASON_WINDOW_DAYS + 1, last_day + 1)
        found = [self._last_year[day] for day in days if day in self._last_year]
        return sum(found) / len(found) if len(found) >= 2 * SEASON_WINDOW_DAYS // 3 else None
