"""Flow by level for one set of running pumps, prepared for many questions.

Between levels solved exactly the flow is interpolated by the cubic that has the exact flow and the
exact growth at both ends; its error falls with the fourth power of the spacing. Growths with wear
are interpolated straight. The table measures its own error halfway between its levels. Where a pump
drops out or a segment of a curve ends inside the range the flow has a kink, and there the error is
larger; it is in that figure too, if not to the last digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import OperatingPoint, RunningPump, operating_point


@dataclass(frozen=True, slots=True)
class TableFlow:
    """Total flow at a level, and how it moves.

    Args:
        flow_m3_s: total flow.
        flow_per_level_m2_s: its growth with the level.
        flow_per_wear_m3_s: its growth with the wear factor of each pump.
    """

    flow_m3_s: float
    flow_per_level_m2_s: float
    flow_per_wear_m3_s: tuple[float, ...]


class FlowTable:
    """Flow by level of pumps running together.

    Args:
        pumps: with the speeds and wear factors the table is made for.
        main: their main.
        low_m, high_m: levels the table spans; outside, each question is solved anew.
        steps: intervals between.

    Attributes:
        error_m3_s: largest deviation found halfway between the table's levels.
    """

    def __init__(
        self, pumps: Sequence[RunningPump], main: Main, low_m: float, high_m: float, steps: int = 16
    ) -> None:
        if not high_m > low_m or steps < 1:
            raise ValueError("a flow table needs a high level above its low one, and a step")
        self.pumps = tuple(pumps)
        self.main = main
        self.low_m, self.high_m = low_m, high_m
        self._steps = steps
        self._step_m = (high_m - low_m) / steps
        self._points = [self._solve(low_m + k * self._step_m) for k in range(steps + 1)]
        self.error_m3_s = max(
            abs(self.at(level_m).flow_m3_s - self._solve(level_m).flow_m3_s)
            for level_m in (low_m + (k + 0.5) * self._step_m for k in range(steps))
        )

    def _solve(self, level_m: float) -> OperatingPoint:
        return operating_point(self.pumps, self.main, self.main.lift_m(level_m))

    def at(self, level_m: float, wear: Sequence[float] | None = None) -> TableFlow:
        """Total flow at a level.

        Args:
            level_m: in the well.
            wear: wear factors other than the table's, by first order: while each is within 0.05
                of the table's, the flow is off by at most some 0.3 %. Beyond, make a new table.

        Returns:
            Flow and growths. With the table's own wear the flow is within ``error_m3_s``.
        """
        if not self.low_m <= level_m <= self.high_m:
            return self._outside(level_m, wear)
        position = (level_m - self.low_m) / self._step_m
        k = min(int(position), self._steps - 1)
        t = position - k
        left, right = self._points[k], self._points[k + 1]
        d0 = left.flow_per_level_m2_s * self._step_m
        d1 = right.flow_per_level_m2_s * self._step_m
        rise = right.flow_m3_s - left.flow_m3_s
        c2 = 3.0 * rise - 2.0 * d0 - d1
        c3 = d0 + d1 - 2.0 * rise
        flow = left.flow_m3_s + t * (d0 + t * (c2 + t * c3))
        growth = (d0 + t * (2.0 * c2 + 3.0 * t * c3)) / self._step_m
        per_wear = tuple(
            a + t * (b - a)
            for a, b in zip(left.flow_per_wear_m3_s, right.flow_per_wear_m3_s, strict=True)
        )
        if wear is not None:
            for by_wear, now, pump in zip(per_wear, wear, self.pumps, strict=True):
                flow += by_wear * (now - pump.wear)
        return TableFlow(max(0.0, flow), growth, per_wear)

    def _outside(self, level_m: float, wear: Sequence[float] | None) -> TableFlow:
        pumps = self.pumps
        if wear is not None:
            pumps = tuple(replace(pump, wear=now) for pump, now in zip(pumps, wear, strict=True))
        point = operating_point(pumps, self.main, self.main.lift_m(level_m))
        return TableFlow(point.flow_m3_s, point.flow_per_level_m2_s, point.flow_per_wear_m3_s)
