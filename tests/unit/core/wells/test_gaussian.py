"""The few operations on a mean and a covariance, against integrals and textbook cases."""

from __future__ import annotations

from math import exp, pi, sqrt

import pytest

from collector.core.wells.gaussian import Gaussian


def moments(weight_of: object, mean: float, sd: float) -> tuple[float, float]:
    """Mean and variance of a normal distribution times a weight, by summing over a fine grid."""
    assert callable(weight_of)
    total = first = second = 0.0
    for k in range(-80_000, 80_001):
        x = mean + sd * k * 1e-4
        weight = weight_of(x) * exp(-0.5 * ((x - mean) / sd) ** 2) / sqrt(2.0 * pi)
        total, first, second = total + weight, first + weight * x, second + weight * x * x
    return first / total, second / total - (first / total) ** 2


@pytest.mark.parametrize("bound", [-2.0, 0.3, 1.5, 4.0])
@pytest.mark.parametrize("above", [True, False])
def test_truncation_gives_the_moments_of_the_truncated_normal(bound: float, above: bool) -> None:
    """Mean and variance agree with the integral over what is left, on either side of the bound."""
    if not above:
        bound = -bound
    state = Gaussian([1.0, 5.0], [[4.0, 1.0], [1.0, 3.0]])
    state.truncate(((0, 1.0),), 1.0, 1.0 + 2.0 * bound, above=above)
    limit = 1.0 + 2.0 * bound
    mean, variance = moments(lambda x: float(x > limit if above else x < limit), 1.0, 2.0)
    assert state.x[0] == pytest.approx(mean, abs=2e-4)
    assert state.p[0][0] == pytest.approx(variance, abs=1e-3)
    assert state.x[1] - 5.0 == pytest.approx((mean - 1.0) * 1.0 / 4.0, abs=2e-4)


def test_weighing_by_a_positive_direction_gives_the_moments_of_the_product() -> None:
    """A normal distribution times x: mean m + s2/m, variance s2 - s4/m2, as the integral has it."""
    state = Gaussian([5.0], [[1.0]])
    state.weigh(((0, 1.0),), 5.0)
    mean, variance = moments(lambda x: max(x, 0.0), 5.0, 1.0)
    assert state.x[0] == pytest.approx(mean, abs=1e-5)
    assert state.p[0][0] == pytest.approx(variance, abs=1e-4)


def test_two_equal_witnesses_are_averaged() -> None:
    """A prior and an observation of equal variance meet in the middle with half the variance."""
    state = Gaussian([2.0], [[0.5]])
    state.observe(((0, 1.0),), 4.0 - 2.0, 0.5)
    assert state.x[0] == pytest.approx(3.0)
    assert state.p[0][0] == pytest.approx(0.25)


def test_a_transformation_is_that_of_matrices() -> None:
    """``(1 + E) P (1 + E)^T`` worked out by hand for E with one entry: 0.5 at row 0, column 1."""
    state = Gaussian([0.0, 0.0], [[2.0, 1.0], [1.0, 4.0]])
    state.transform([(0, [(1, 0.5)])])
    assert state.p == [[2.0 + 2 * 0.5 * 1.0 + 0.25 * 4.0, 1.0 + 0.5 * 4.0], [3.0, 4.0]]
