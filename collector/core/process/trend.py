"""A robust slope: the median of the slopes between all pairs of points, with its interval.

Half the points but a few may be anything and the slope stays within the rest. The confidence
interval is by ranks: under no trend, Kendall's S has variance ``n (n - 1) (2 n + 5) / 18`` (less
for ties), so with ``C = z sqrt(var S)`` the limits are, of the ``N`` slopes sorted, those of rank
``(N - C) / 2`` and ``(N + C) / 2 + 1``.

Sources: H. Theil, Proc. Kon. Ned. Akad. Wetensch. A 53 (1950) 386, 521, 1397; P. K. Sen, J. Am.
Stat. Assoc. 63 (1968) 1379.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median

Z_95 = 1.959963984540054
"""0.975 quantile of the standard normal distribution."""

LEAST_POINTS = 6
"""With fewer the interval by the normal approximation means nothing (common practice, no source).
"""


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope and its 95 % confidence limits, in units of y over units of x."""

    value: float
    low: float
    high: float


def maybe_slope(xs: Sequence[float], ys: Sequence[float]) -> Slope | None:
    """Theil-Sen slope of points; None with fewer than ``LEAST_POINTS`` different ``xs``.

    Args:
        xs, ys: coordinates, equally many.
    """
    if len(set(xs)) < LEAST_POINTS:
        return None
    slopes = sorted(
        (ys[j] - ys[i]) / (xs[j] - xs[i])
        for i in range(len(xs))
        for j in range(i + 1, len(xs))
        if xs[j] != xs[i]
    )
    margin = Z_95 * sqrt(_variance(xs, ys))
    count = len(slopes)
    low = max(round((count - margin) / 2) - 1, 0)
    high = min(round((count + margin) / 2), count - 1)
    return Slope(median(slopes), slopes[low], slopes[high])


def _variance(xs: Sequence[float], ys: Sequence[float]) -> float:
    """Variance of Kendall's S without trend; Sen (1968), eq. 2.6, with ties in x and in y."""
    count = len(xs)
    total = count * (count - 1) * (2 * count + 5)
    for values in (xs, ys):
        for ties in Counter(values).values():
            total -= ties * (ties - 1) * (2 * ties + 5)
    return max(0.0, total / 18.0)
