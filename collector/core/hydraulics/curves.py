"""Head and flow of one pump at full speed, from the points of its curve.

Three forms, as the EPANET 2.2 User Manual (chapter 3.1, pumps) makes them from points:

- one point (Qd, Hd): shut-off head 4/3 Hd, no head at twice the flow,
  ``H = 4/3 Hd - (Hd/3) (Q/Qd)^2``;
- three points, the first at zero flow: ``H = A - B Q^C`` with
  ``C = ln((h0-h2)/(h0-h1)) / ln(q2/q1)``, ``B = (h0-h1) / q1^C``;
- any other number, and three points that bend more sharply than a power of 20 (EPANET refuses
  those): straight segments, the first and the last of them continued.

Beside these a smooth form through any number of points: a piecewise cubic that falls wherever the
points fall (F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, with the one-sided
three-point slopes at the ends). It has no kinks, which segments have.

Every curve falls: more flow, less head. Between points the forms differ: through five points of a
power curve, segments lie within 5 % of its flow from the second point on and 2 % from the third,
the smooth form within 2 % and 0.5 % (tested).

A solver asks by the *drop*, the shut-off head minus the head. Near shut-off the flow rises steeply
with the drop, and head differences taken there would lose digits.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, Protocol

CurveForm = Literal["standard", "smooth"]
Point = tuple[float, float]

NO_DROP_M = 1e-15
"""A drop up to this counts as none; it is far below what a head is known to."""

LEAST_SLOPE = 1e-9
"""Of a smooth curve where it runs level, m per m3/s: keeps the growth of flow finite."""

LARGEST_EXPONENT = 20.0
"""Of the power form, as in EPANET (its source, ``powercurve``)."""


class PumpCurve(Protocol):
    """A pump's curve at full speed, unworn."""

    @property
    def shut_off_m(self) -> float:
        """Head at zero flow, m."""
        ...

    @property
    def run_out_m3_s(self) -> float:
        """Flow at zero head, m3/s."""
        ...

    def head_m(self, flow_m3_s: float) -> float:
        """Head at a flow of at least 0; negative beyond run-out."""
        ...

    def flow_at_drop(self, drop_m: float) -> tuple[float, float]:
        """Flow, and its growth with the drop, at ``drop_m`` below the shut-off head.

        Args:
            drop_m: shut-off head minus head, m; at 0 and below the pump gives nothing.

        Returns:
            Flow in m3/s, and m3/s per m of drop: finite, if very large where a curve begins level.
        """
        ...


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """``H = shut_off_m - coefficient Q^exponent``, Q in m3/s."""

    shut_off_m: float
    coefficient: float
    exponent: float

    @property
    def run_out_m3_s(self) -> float:
        """Flow at zero head, m3/s."""
        return float((self.shut_off_m / self.coefficient) ** (1.0 / self.exponent))

    def head_m(self, flow_m3_s: float) -> float:
        """Head at a flow, m."""
        return float(self.shut_off_m - self.coefficient * flow_m3_s**self.exponent)

    def flow_at_drop(self, drop_m: float) -> tuple[float, float]:
        """Flow and its growth with the drop: see ``PumpCurve``."""
        if drop_m <= NO_DROP_M:
            return 0.0, 0.0
        flow = (drop_m / self.coefficient) ** (1.0 / self.exponent)
        return flow, flow / (self.exponent * drop_m)


class SegmentCurve:
    """Straight segments through points; the first and the last are continued.

    Args:
        points: (m3/s, m), at least two, flows rising and heads falling.
    """

    __slots__ = ("_drops", "_points", "run_out_m3_s", "shut_off_m")

    def __init__(self, points: Sequence[Point]) -> None:
        (q0, h0), (q1, h1) = points[0], points[1]
        self.shut_off_m = h0 + (h0 - h1) / (q1 - q0) * q0
        self._points = [(0.0, self.shut_off_m), *(p for p in points if p[0] > 0.0)]
        self._drops = [self.shut_off_m - head for _, head in self._points]
        self.run_out_m3_s = self.flow_at_drop(self.shut_off_m)[0]

    def head_m(self, flow_m3_s: float) -> float:
        """Head at a flow, m."""
        flows = [flow for flow, _ in self._points]
        k = min(max(bisect_right(flows, flow_m3_s), 1), len(flows) - 1)
        (q0, h0), (q1, h1) = self._points[k - 1], self._points[k]
        return h0 + (h1 - h0) / (q1 - q0) * (flow_m3_s - q0)

    def flow_at_drop(self, drop_m: float) -> tuple[float, float]:
        """Flow and its growth with the drop: see ``PumpCurve``."""
        if drop_m <= NO_DROP_M:
            return 0.0, 0.0
        k = min(bisect_right(self._drops, drop_m), len(self._drops) - 1)
        low_m = self._drops[k - 1]
        q0, q1 = self._points[k - 1][0], self._points[k][0]
        growth = (q1 - q0) / (self._drops[k] - low_m)
        return q0 + growth * (drop_m - low_m), growth


class SmoothCurve:
    """A falling piecewise cubic through points, continued straight at both ends.

    Args:
        points: (m3/s, m), at least three, flows rising and heads falling.
    """

    __slots__ = ("_drops", "_points", "_slopes", "run_out_m3_s", "shut_off_m")

    def __init__(self, points: Sequence[Point]) -> None:
        slopes = _fritsch_butland(points)
        (q0, h0), (q1, h1) = points[0], points[1]
        if q0 > 0.0 and slopes[0] == 0.0:
            slopes[0] = (h1 - h0) / (q1 - q0)  # it is continued to zero flow, and must fall there
        self.shut_off_m = h0 - slopes[0] * q0
        self._points, self._slopes = list(points), slopes
        if q0 > 0.0:
            self._points.insert(0, (0.0, self.shut_off_m))
            self._slopes.insert(0, slopes[0])
        self._drops = [self.shut_off_m - head for _, head in self._points]
        self.run_out_m3_s = self.flow_at_drop(self.shut_off_m)[0]

    def head_m(self, flow_m3_s: float) -> float:
        """Head at a flow, m."""
        last_q, last_h = self._points[-1]
        if flow_m3_s >= last_q:
            return last_h + self._end_slope() * (flow_m3_s - last_q)
        k = bisect_right(self._points, flow_m3_s, key=lambda point: point[0])
        return self.shut_off_m - self._drop(k, flow_m3_s)[0]

    def flow_at_drop(self, drop_m: float) -> tuple[float, float]:
        """Flow and its growth with the drop: see ``PumpCurve``."""
        if drop_m <= NO_DROP_M:
            return 0.0, 0.0
        k = bisect_right(self._drops, drop_m)
        if k == len(self._drops):
            growth = -1.0 / self._end_slope()
            return self._points[-1][0] + growth * (drop_m - self._drops[-1]), growth
        low, high = self._points[k - 1][0], self._points[k][0]
        flow = low + (high - low) * (drop_m - self._drops[k - 1]) / (
            self._drops[k] - self._drops[k - 1]
        )
        # Newton's method inside a bracket: the cubic rises all over the segment.
        for _ in range(80):
            drop, slope = self._drop(k, flow)
            if drop > drop_m:
                high = flow
            else:
                low = flow
            step = flow - (drop - drop_m) / slope if slope > 0.0 else high
            if not low <= step <= high:
                step = 0.5 * (low + high)
            if abs(step - flow) <= 1e-13 * high:
                break
            flow = step
        return step, 1.0 / max(self._drop(k, step)[1], LEAST_SLOPE)

    def _drop(self, k: int, flow_m3_s: float) -> tuple[float, float]:
        """Drop and its slope inside segment ``k``, by cubic Hermite interpolation."""
        q0, q1 = self._points[k - 1][0], self._points[k][0]
        width = q1 - q0
        t = (flow_m3_s - q0) / width
        rise = self._drops[k] - self._drops[k - 1]
        left, right = -self._slopes[k - 1] * width, -self._slopes[k] * width
        # p(t) = d0 + left t + c2 t^2 + c3 t^3
        c2 = 3.0 * rise - 2.0 * left - right
        c3 = left + right - 2.0 * rise
        drop = self._drops[k - 1] + t * (left + t * (c2 + t * c3))
        return drop, (left + t * (2.0 * c2 + 3.0 * t * c3)) / width

    def _end_slope(self) -> float:
        """Slope beyond the last point; that of the last segment where the cubic ends level."""
        (q0, h0), (q1, h1) = self._points[-2], self._points[-1]
        return self._slopes[-1] or (h1 - h0) / (q1 - q0)


def _fritsch_butland(points: Sequence[Point]) -> list[float]:
    """Slopes at falling points that keep the cubic falling between them."""
    widths = [q1 - q0 for (q0, _), (q1, _) in pairwise(points)]
    secants = [(h1 - h0) / (q1 - q0) for (q0, h0), (q1, h1) in pairwise(points)]
    inner = []
    for (w0, s0), (w1, s1) in pairwise(zip(widths, secants, strict=True)):
        a, b = 2.0 * w1 + w0, w1 + 2.0 * w0
        inner.append((a + b) / (a / s0 + b / s1))
    first = _end(widths[0], widths[1], secants[0], secants[1])
    last = _end(widths[-1], widths[-2], secants[-1], secants[-2])
    return [first, *inner, last]


def _end(w0: float, w1: float, s0: float, s1: float) -> float:
    """Slope at an end by the one-sided three-point formula, kept within 0 and three secants."""
    slope = ((2.0 * w0 + w1) * s0 - w0 * s1) / (w0 + w1)
    return min(0.0, max(slope, 3.0 * s0))


def curve_through(points: Sequence[Point], form: CurveForm = "standard") -> PumpCurve:
    """The curve through points, in the form their number and ``form`` ask for.

    Args:
        points: (flow in m3/s, head in m), flows rising from 0 or more, heads falling.
        form: ``standard`` for the three forms of the EPANET manual, ``smooth`` for the cubic (at
            least three points).

    Raises:
        ValueError: the points make no falling curve; the text says which and why.

    Source: EPANET 2.2 User Manual, chapter 3.1.
    """
    fault = fault_of_points(points)
    if fault is not None:
        raise ValueError(fault)
    if len(points) == 1:
        flow, head = points[0]
        return PowerCurve(4.0 / 3.0 * head, head / 3.0 / flow**2, 2.0)
    if form == "smooth" and len(points) >= 3:
        return SmoothCurve(points)
    if len(points) == 3 and points[0][0] == 0.0:
        (_, h0), (q1, h1), (q2, h2) = points
        exponent = math.log((h0 - h2) / (h0 - h1)) / math.log(q2 / q1)
        if exponent <= LARGEST_EXPONENT:
            return PowerCurve(h0, (h0 - h1) / q1**exponent, exponent)
    return SegmentCurve(points)


def fault_of_points(points: Sequence[Point]) -> str | None:
    """Why points make no curve, or None."""
    if not points:
        return "a curve needs at least one point"
    if len(points) == 1 and not (points[0][0] > 0.0 and points[0][1] > 0.0):
        return "a single point needs flow and head above 0"
    if points[0][0] < 0.0:
        return "flows begin at 0 or above"
    if points[0][1] <= 0.0:
        return "the first head is above 0"
    for (q0, h0), (q1, h1) in pairwise(points):
        if not q1 > q0:
            return "flows rise from point to point"
        if not h1 < h0:
            return "heads fall from point to point"
    return None
