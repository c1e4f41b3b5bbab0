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
        """``P = (1 + E) P (1 + E)^T`` with the given rows of ``E``; the mean is left alone."""
        p = self.p
        moved = []
        for index, terms in rows:
            row = p[index]
            for column, factor in terms:
                row = [a + factor * b for a, b in zip(row, p[column], strict=True)]
            moved.append(row)
        # Where two moved rows meet, each has moved the other's column; elsewhere a column is what
        # the row is, since the matrix is symmetric.
        meeting = [row[:] for row in moved]
        for k, (index, terms) in enumerate(rows):
            for m in range(k, len(rows)):
                row = moved[m]
                value = row[index]
                for column, factor in terms:
                    value += factor * row[column]
                meeting[m][index] = meeting[k][rows[m][0]] = value
        for (index, _), row in zip(rows, meeting, strict=True):
            p[index] = row
        for (index, _), row in zip(rows, meeting, strict=True):
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
        found = [0.0] * len(p)
        for index, factor in along:
            row = p[index]
            found = [a + factor * b for a, b in zip(found, row, strict=True)]
        return found

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


def _truncated(depth: float) -> tuple[float, float]:
    """Mean and variance of a standard normal variable that exceeds ``depth``."""
    if depth > DEEP:
        hazard = depth + 1.0 / depth
    else:
        density = exp(-0.5 * depth * depth) / sqrt(2.0 * pi)
        hazard = density / (0.5 * erfc(depth * ROOT_HALF))
    return hazard, min(1.0, max(1.0 - hazard * (hazard - depth), 1e-3))
