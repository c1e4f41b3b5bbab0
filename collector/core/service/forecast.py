"""When a use that is counted will reach its interval, with a range.

The use of each whole day is known with bounds (unknown run time widens them). Recent weeks say how
the machine is used: a weekday is expected to be like the same weekday of the last weeks, pulled
towards the mean of all days where there are few of them, so that a park's weekends count; a single
odd day is cut off, so that the date does not jump. Days count less the older they are, half as much
after a week, so that the level follows a season. How it goes on from there is taken from last year
where a year of days is known, by most of what it says, since no year repeats another; else the
growth of the last weeks goes on, and dies away.

The range is made of the doubt of the mean, the scatter of single days and the drift of the level,
which grows with the time looked ahead. It is a range of about nine in ten; how often the truth lies
in it is counted on simulated plants.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from statistics import median

HALF_LIFE_DAYS = 7.0
LOOK_BACK_DAYS = 84
SHRINKAGE_DAYS = 1.0
"""A weekday's own mean counts as much as that of all days when it rests on so many days."""
DRIFT_PER_ROOT_DAY = 0.07
DRIFT_WITH_SEASON = 0.03
"""Share of the level by which it wanders in a day, as a random walk; less where last year is known.
Tuned on simulated parks, on other seeds than it is tried on."""
DRIFT_MOST = 0.4
"""And no more than this share, however far ahead."""
ODD_TIMES = 2.0
"""A day counts as no more than twice what is usual of its weekday or of all days."""
TREND_DAYS = 14
TREND_DAMPING = 0.9
TREND_MOST = 1.04
"""The growth from one fortnight to the next goes on, each day by less; a day by no more than so
much."""
SEASON_DAYS = 365
SEASON_WINDOW_DAYS = 21
SEASON_WEIGHT = 0.8
SEASON_MOST = 3.0
"""A season may change the use by at most so many times, up or down."""
SIDE = 1.645
"""Standard deviations on either side for nine in ten, by the normal distribution."""
LONGEST_DAYS = 3650
SETTLED_DAYS = 400
"""From then on a week is expected to be like any other: last year says no more, a growth has died
away (to less than a double can tell), and the level wanders by its most."""
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
    recent = _tamed([each for each in history if today - LOOK_BACK_DAYS <= each.day < today])
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
    course = _Course(by_weekday, today, _Season(history, today), mean, doubt, scatter)
    early, likely, late = course.reaches(remaining_low, remaining_high)
    per_day = sum(by_weekday[(today + ahead) % 7] for ahead in range(7)) / 7.0
    return Forecast(early, likely, late, per_day)


class _Course:
    """What is expected to be used from today on, and how far the truth may lie from it."""

    def __init__(
        self, by_weekday: Sequence[float], today: int, season: _Season, mean: float, doubt: float,
        scatter: float,
    ) -> None:  # fmt: skip
        self._by_weekday = by_weekday
        self._today = today
        self._season = season
        self._mean = mean
        self._doubt = doubt
        self._variance = scatter * scatter
        self._drift = DRIFT_WITH_SEASON if season.known else DRIFT_PER_ROOT_DAY
        self._settled = 0.0  # used until the weeks are alike
        self._of_days = [0.0] * 8  # used in so many days of such a week

    def reaches(self, low: float, high: float) -> tuple[float | None, float | None, float | None]:
        """Days until ``low`` is used at the earliest, their middle, ``high`` at the latest."""
        middle = (low + high) / 2.0
        early = likely = None
        cumulated = 0.0
        for ahead in range(SETTLED_DAYS):
            before, cumulated = cumulated, cumulated + self._expected(ahead)
            slack = self._slack(ahead + 1)
            if early is None and cumulated + slack >= low:
                early = _within(ahead, before + slack, cumulated + slack, low)
            if likely is None and cumulated >= middle:
                likely = _within(ahead, before, cumulated, middle)
            if cumulated - slack >= high:
                return early, likely, ahead + 1.0
        self._settled = cumulated
        week = (self._expected(SETTLED_DAYS + day) for day in range(7))
        self._of_days = [0.0, *accumulate(week)]
        if early is None:
            early = self._far(low, 1.0)
        if likely is None:
            likely = self._far(middle, 0.0)
        late = _first(lambda ahead: self._used(ahead + 1) - self._slack(ahead + 1) >= high)
        return early, likely, None if late is None else late + 1.0

    def _far(self, wanted: float, slacks: float) -> float | None:
        """When what is used, with so many times its slack, reaches something after all that."""
        ahead = _first(
            lambda ahead: self._used(ahead + 1) + slacks * self._slack(ahead + 1) >= wanted
        )
        if ahead is None:
            return None
        slack = slacks * self._slack(ahead + 1)
        return _within(ahead, self._used(ahead) + slack, self._used(ahead + 1) + slack, wanted)

    def _expected(self, ahead: int) -> float:
        factor = self._season.factor(min(ahead, SETTLED_DAYS))
        return self._by_weekday[(self._today + ahead) % 7] * factor

    def _used(self, days: int) -> float:
        """What will have been used after ``SETTLED_DAYS`` days or more."""
        weeks, rest = divmod(days - SETTLED_DAYS, 7)
        return self._settled + weeks * self._of_days[7] + self._of_days[rest]

    def _slack(self, days: int) -> float:
        """Half the range of what will have been used after so many days."""
        drift = min(self._drift * math.sqrt(days / 3.0), DRIFT_MOST / SIDE)
        level = (self._doubt * days) ** 2 + (self._mean * days * drift) ** 2
        return SIDE * math.sqrt(level + self._variance * days)


def _first(reached: Callable[[int], bool]) -> int | None:
    """The first day ahead, of those behind `SETTLED_DAYS`, on which something is reached.

    There the same is used in every week, and the range widens by less in each than in the one
    before. So what is used grows, and what is used less its slack falls at most at first: looked at
    on one day of the week only, a bound once reached stays so, and can be found by halving.
    """
    found: list[int] = []
    for begin in range(SETTLED_DAYS, SETTLED_DAYS + 7):
        days = range(begin, LONGEST_DAYS, 7)
        place = bisect_left(days, True, key=reached)
        found += days[place : place + 1]
    return min(found, default=None)


def _tamed(days: list[DayUse]) -> list[DayUse]:
    """Days with what is odd about single ones cut off; bounds keep their width."""
    if not days:
        return days
    usual = median(each.middle for each in days)
    of_weekday = {
        weekday: median(group)
        for weekday in range(7)
        if (group := [each.middle for each in days if each.day % 7 == weekday])
    }
    tamed = []
    for each in days:
        most = ODD_TIMES * max(usual, of_weekday[each.day % 7])
        over = max(0.0, each.middle - most) if most > 0.0 else 0.0
        tamed.append(
            DayUse(each.day, each.value - over, each.low - over, each.high - over)
        )  # fmt: skip
    return tamed


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
        self._growth = _growth(self._last_year, today)

    @property
    def known(self) -> bool:
        """Whether last year says how it goes on."""
        return bool(self._base)

    def factor(self, ahead: int) -> float:
        """What the use is multiplied by, a number of days ahead."""
        if not self._base:
            # The sum of a growth that dies away, day by day.
            steps = (1.0 - TREND_DAMPING ** (ahead + 1)) / (1.0 - TREND_DAMPING)
            return math.exp(self._growth * steps)
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


def _growth(days: Mapping[int, float], today: int) -> float:
    """Logarithm of the daily growth, by the last fortnight and the one before it; 0 if unknown."""
    late = [days[day] for day in range(today - TREND_DAYS, today) if day in days]
    early = [days[day] for day in range(today - 2 * TREND_DAYS, today - TREND_DAYS) if day in days]
    if min(len(late), len(early)) < TREND_DAYS - 3 or median(late) <= 0.0 or median(early) <= 0.0:
        return 0.0
    ratio = median(late) / median(early)
    return min(max(math.log(ratio) / TREND_DAYS, -math.log(TREND_MOST)), math.log(TREND_MOST))
