"""Forecasts of use: what arithmetic and the normal distribution say, and that the date keeps still.

The normal distribution puts nine in ten within 1.645 standard deviations (NIST/SEMATECH e-Handbook
of Statistical Methods, 1.3.6.7.1, cumulative distribution; quoted from memory).
"""

from __future__ import annotations

import random
from dataclasses import astuple
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.service import forecast as forecasting
from collector.core.service.forecast import DayUse, forecast

TODAY = 740_000


def even(per_day: float, days: int = 60, unknown: float = 0.0) -> list[DayUse]:
    return [
        DayUse(TODAY - back, per_day, per_day, per_day + unknown) for back in range(days, 0, -1)
    ]


def test_even_use_is_divided() -> None:
    """100 h left at 4 h a day are 25 days."""
    found = forecast(even(4.0), TODAY, 100.0, 100.0)
    assert found is not None
    assert found.likely == pytest.approx(25.0)
    assert found.per_day == pytest.approx(4.0)
    assert found.early is not None
    assert found.late is not None
    assert found.early <= 25.0 <= found.late


def test_too_few_days_say_nothing() -> None:
    """Two days are no habit."""
    assert forecast(even(4.0, days=2), TODAY, 100.0, 100.0) is None


def test_nothing_left_is_due_today() -> None:
    """What is used up is due now."""
    found = forecast(even(4.0), TODAY, 0.0, 0.0)
    assert found is not None
    assert found.early == 0.0
    assert found.likely == 0.0


def test_no_use_is_never_due() -> None:
    """A machine that stands still does not wear by hours."""
    found = forecast(even(0.0), TODAY, 10.0, 10.0)
    assert found is not None
    assert found.likely is None


def test_unknown_time_makes_the_range_wider_and_the_early_end_earlier() -> None:
    """Time about which nobody knows may have been run time."""
    known, unknown = forecast(even(4.0), TODAY, 100.0, 100.0), forecast(
        even(4.0, unknown=4.0), TODAY, 100.0, 100.0
    )  # fmt: skip
    assert known is not None
    assert unknown is not None
    assert unknown.early is not None
    assert known.early is not None
    assert unknown.early < known.early


def test_weekends_count_as_weekends() -> None:
    """10 h on two days of seven and 2 h on five, 30 a week: from the day before those two, 12 h
    are reached in the second day, far sooner than by the mean."""
    busy = {(TODAY + 1) % 7, (TODAY + 2) % 7}
    history = [
        DayUse(day, use, use, use)
        for day in range(TODAY - 84, TODAY)
        for use in [10.0 if day % 7 in busy else 2.0]
    ]
    found = forecast(history, TODAY, 11.0, 11.0)
    assert found is not None
    assert found.likely is not None
    assert 1.5 < found.likely < 2.2


def test_one_odd_day_does_not_move_the_date_by_much() -> None:
    """A day with the pump running round the clock shifts a date four weeks off by under a tenth."""
    calm = even(4.0)
    odd = [*calm[:-1], DayUse(TODAY - 1, 24.0, 24.0, 24.0)]
    before, after = forecast(calm, TODAY, 112.0, 112.0), forecast(odd, TODAY, 112.0, 112.0)
    assert before is not None
    assert after is not None
    assert before.likely == pytest.approx(28.0)
    assert 28.0 * 0.8 < (after.likely or 0.0) <= 28.0


def test_last_year_says_how_the_season_goes_on() -> None:
    """If use doubled at this time of last year, it is expected to rise by most of that: 400 h are
    used up in 50 days of twice the use, and in 100 of the same."""
    history = [
        DayUse(day, use, use, use)
        for day in range(TODAY - 400, TODAY)
        for use in [4.0 if day < TODAY - 365 or day > TODAY - 200 else 8.0]
    ]
    found = forecast(history, TODAY, 400.0, 400.0)
    assert found is not None
    assert found.likely is not None
    assert 52.0 < found.likely < 62.0


def test_the_range_holds_the_truth_about_nine_times_in_ten() -> None:
    """Days drawn independently about a mean: between 85 and 100 of 100 dates lie in the range; the
    allowance for a drift that does not happen here makes it wider than nine in ten."""
    hits = 0
    for seed in range(100):
        draw = random.Random(seed)
        days = [max(0.0, draw.gauss(4.0, 1.0)) for _ in range(200)]
        history = [DayUse(TODAY - 60 + place, use, use, use) for place, use in enumerate(days[:60])]
        found = forecast(history, TODAY, 100.0, 100.0)
        assert found is not None
        assert found.early is not None
        assert found.late is not None
        left, truth = 100.0, 0
        while left > 0:
            left -= days[60 + truth]
            truth += 1
        hits += found.early <= truth <= found.late + 1
    assert hits >= 85


@given(
    pattern=st.lists(st.floats(0.0, 24.0), min_size=7, max_size=7),
    days=st.integers(3, 800),
    growth=st.floats(0.97, 1.03),
    noise=st.integers(0, 1000),
    unknown=st.floats(0.0, 3.0),
    low=st.floats(0.0, 60_000.0),
    more=st.floats(0.0, 5_000.0),
)
def test_a_far_date_is_found_as_day_by_day(
    pattern: list[float], days: int, growth: float, noise: int, unknown: float, low: float,
    more: float,
) -> None:  # fmt: skip
    """Halving finds the day that going through ten years day by day finds."""
    rng = random.Random(noise)
    history = []
    for back in range(days, 0, -1):
        value = min(24.0, pattern[back % 7] * growth ** (days - back) * rng.uniform(0.8, 1.2))
        history.append(DayUse(TODAY - back, value, value, value + unknown))
    found = forecast(history, TODAY, low, low + more)
    with mock.patch.object(forecasting, "SETTLED_DAYS", forecasting.LONGEST_DAYS):
        wanted = forecast(history, TODAY, low, low + more)
    assert found is not None
    assert wanted is not None
    for one, other in zip(astuple(found), astuple(wanted), strict=True):
        assert one == (None if other is None else pytest.approx(other, abs=1e-3))
