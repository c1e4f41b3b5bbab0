"""The robust slope, against an independent library and by its own properties."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes  # type: ignore[import-untyped]

from collector.core.process.trend import LEAST_POINTS, maybe_slope

FIGURES = st.floats(-1e3, 1e3).map(lambda figure: round(figure, 3))
POINTS = st.lists(
    st.tuples(FIGURES, FIGURES), min_size=LEAST_POINTS, max_size=30,
    unique_by=lambda point: point[0],
)  # fmt: skip


@given(POINTS)
def test_slope_and_interval_are_those_of_the_library(points: list[tuple[float, float]]) -> None:
    """Slope and 95 % limits equal those of ``scipy.stats.theilslopes`` (after Sen 1968)."""
    xs, ys = [x for x, _ in points], [y for _, y in points]
    slope = maybe_slope(xs, ys)
    expected = theilslopes(ys, xs, 0.95)
    assert slope is not None
    assert slope.value == pytest.approx(expected[0])
    assert slope.low == pytest.approx(expected[2])
    assert slope.high == pytest.approx(expected[3])


def test_ties_in_either_coordinate_are_those_of_the_library() -> None:
    """With repeated xs and ys the limits still equal the library's."""
    xs = [0.0, 1.0, 1.0, 2.0, 3.0, 4.0, 5.0, 5.0, 6.0]
    ys = [3.0, 3.0, 2.5, 2.5, 2.5, 2.0, 2.0, 1.0, 1.5]
    slope, expected = maybe_slope(xs, ys), theilslopes(ys, xs, 0.95)
    assert slope is not None
    assert (slope.value, slope.low, slope.high) == pytest.approx(
        (expected[0], expected[2], expected[3])
    )


def test_few_points_have_no_slope() -> None:
    """Below the least number of different instants nothing is said."""
    assert maybe_slope([1.0, 2.0, 3.0, 4.0, 5.0], [1.0, 2.0, 3.0, 4.0, 5.0]) is None
    assert maybe_slope([1.0] * 20, list(range(20))) is None


def test_three_wild_points_in_twelve_do_not_move_it() -> None:
    """The slope of a line stays its slope although a quarter of the points is anything: the
    estimator's breakdown point is 29 % (Sen 1968)."""
    xs = [float(k) for k in range(12)]
    ys = [2.0 * x for x in xs]
    ys[2], ys[7], ys[11] = 900.0, -700.0, 400.0
    slope = maybe_slope(xs, ys)
    assert slope is not None
    assert slope.value == pytest.approx(2.0)
