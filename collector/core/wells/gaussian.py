"""A mean and a covariance, and the few things that happen to them in a recursive estimator.

Small and dense: a state has some ten entries, so plain lists beat any library's call. A direction
is sparse, ``[(index, factor), ...]``. Sources: R. E. Kalman, J. Basic Eng. 82 (1960) 35, for the
observation; moments of a truncated normal distribution, Johnson, Kotz and Balakrishnan, Continuous
Univariate Distributions 1 (1994), section 10.1 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import erfc, exp, pi, sqrt

Direction = Sequence[tuple[int, float]]
ROOT_HALF = sqrt(0.5)
DEEP = 6.0
"""Standard deviations beyond which the tail of the normal distribution is taken as exponential."""


class Gaussian:
    """Mean ``x`` and covariance ``p`` of a state."""

    __slots__ = ("p", "x")

    def __init__(self, x: list[float], p: list[list[float]]) -> None:
        self.x = x
        self.p = p

    def copy(self) -> Gaussian:
        """An independent copy."""
        return Gaussian(self.x[:], [row[:] for row in self.p])

    def transform(self, rows: Sequence[tuple[int, Direction]]) -> None:
        """``P = (1 + E) P (1 + E)^T`` with the given rows of ``E``; the mean is left alone.

        Args:
            rows: taken one after the other, so that each may name its own entry and those whose
                rows come later, and none whose row came before.
        """
        p = self.p
        for index, terms in rows:
            row = _with_others(p[index], p, terms)
            own = row[index]
            for column, factor in terms:
                own += factor * row[column]
            row[index] = own
            p[index] = row
            for other, value in zip(p, row, strict=True):
                other[index] = value

    def add_noise(self, along: Direction, variance: float) -> None:
        """Add noise of one source that moves several entries together."""
        p = self.p
        for i, a in along:
            row = p[i]
            scaled = a * variance
            for j, b in along:
                row[j] += scaled * b

    def covariances(self, along: Direction) -> list[float]:
        """Covariance of each entry with a direction."""
        p = self.p
        if len(along) == 1:
            index, factor = along[0]
            row = p[index]
            return row[:] if factor == 1.0 else [factor * value for value in row]
        return _with_others([0.0] * len(p), p, along)

    def variance(self, along: Direction) -> float:
        """Variance of a direction, never below 0."""
        p = self.p
        if len(along) == 1:
            index, factor = along[0]
            total = factor * factor * p[index][index]
            return total if total > 0.0 else 0.0
        total = 0.0
        for i, a in along:
            row = p[i]
            for j, b in along:
                total += a * b * row[j]
        return total if total > 0.0 else 0.0

    def observe(self, along: Direction, innovation: float, noise: float) -> None:
        """A direction was observed: ``innovation`` is observation minus expectation."""
        cov = self.covariances(along)
        spread = sum(factor * cov[index] for index, factor in along) + noise
        if spread <= 0.0:
            return
        self._move(cov, innovation / spread, 1.0 / spread)

    def weigh(self, along: Direction, mean: float) -> None:
        """Weigh the distribution in proportion to a direction whose expectation is ``mean``.

        Exact for the mean and the covariance where the direction is positive almost surely.
        """
        self._move(self.covariances(along), 1.0 / mean, 1.0 / (mean * mean))

    def truncate(self, along: Direction, mean: float, bound: float, *, above: bool) -> None:
        """A direction is known to lie above (or below) a bound; the moments follow.

        Args:
            along: the direction.
            mean: its expectation.
            bound: it lies beyond this.
            above: on which side.
        """
        variance = self.variance(along)
        if variance <= 0.0:
            return
        sd = sqrt(variance)
        depth = (bound - mean) / sd if above else (mean - bound) / sd
        if depth < -DEEP:
            return  # nothing of it lies on the other side
        shift, left = _truncated(depth)
        if not above:
            shift = -shift
        self._move(self.covariances(along), shift / sd, (1.0 - left) / variance)

    def _move(self, cov: list[float], by: float, less: float) -> None:
        """``x += cov * by`` and ``P -= cov cov^T * less``; what is taken off is symmetric."""
        x, p = self.x, self.p
        root = sqrt(less)
        taken = [root * c for c in cov]
        for i, each in enumerate(taken):
            if each == 0.0:
                continue
            x[i] += by * cov[i]
            row = p[i] = [a - each * b for a, b in zip(p[i], taken, strict=True)]
            if row[i] < 0.0:
                row[i] = 0.0


def _with_others(row: list[float], p: list[list[float]], terms: Direction) -> list[float]:
    """A row plus others, each times a factor: in one pass where there are as many as usual."""
    if len(terms) == 4:
        (i, a), (j, b), (k, c), (m, d) = terms
        return [
            own + a * first + b * second + c * third + d * fourth
            for own, first, second, third, fourth in zip(row, p[i], p[j], p[k], p[m], strict=True)
        ]
    if len(terms) == 2:
        (i, a), (j, b) = terms
        return [
            own + a * first + b * second for own, first, second in zip(row, p[i], p[j], strict=True)
        ]
    for index, factor in terms:
        row = [own + factor * other for own, other in zip(row, p[index], strict=True)]
    return row


def _truncated(depth: float) -> tuple[float, float]:
    """Mean and variance of a standard normal variable that exceeds ``depth``."""
    if depth > DEEP:
        hazard = depth + 1.0 / depth
    else:
        density = exp(-0.5 * depth * depth) / sqrt(2.0 * pi)
        hazard = density / (0.5 * erfc(depth * ROOT_HALF))
    return hazard, min(1.0, max(1.0 - hazard * (hazard - depth), 1e-3))
