"""How far a pump's curve can be believed: the acceptance grades of ISO 9906:2012.

A pump is accepted when its measured curve cuts or touches the tolerance cross at the guaranteed
point: within +-tQ in flow at that head, or within +-tH in head at that flow. Both are taken here as
a deviation of flow at equal head, ``tQ`` and ``tH H / (Q |dH/dQ|)``, and the wider of the two
counts, since one of them suffices. The pump delivered may lie anywhere inside: a rectangular
distribution, whose standard deviation is the half-width over the square root of 3 (JCGM 100:2008,
4.3.7).

A deviation of flow at equal head is what a wear factor is, so the result is also the standard
uncertainty of the wear factor of a new pump. Through the main less of it arrives: multiply by
``OperatingPoint.flow_per_wear_m3_s``.

Source of the figures: ISO 9906:2012, table 8 and clause 4.4.2, from memory. That one bar of the
cross suffices: from memory as well; a maker's lexicon words it as both bars, which is narrower.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from collector.core.hydraulics.operating import OperatingPoint, RunningPump

RECTANGULAR = 1.0 / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Half-widths of the tolerance cross, as shares of flow and head."""

    flow: float
    head: float


GRADES: dict[str, Tolerance] = {
    "1B": Tolerance(0.05, 0.03),
    "2B": Tolerance(0.08, 0.05),
    "3B": Tolerance(0.09, 0.07),
}
SMALL_DRIVE = Tolerance(0.10, 0.08)
"""Of pumps with drives up to 10 kW, taken where no grade is agreed."""


def curve_uncertainty(pump: RunningPump, head_m: float, tolerance: Tolerance) -> float:
    """Relative standard uncertainty of a pump's flow at a given head.

    Args:
        pump: the pump with its speed and wear.
        head_m: the head it works at.
        tolerance: of its acceptance grade.

    Returns:
        Share of its flow, at most 1; 1 where it gives nothing, since a curve says little there.

    Source: ISO 9906:2012 (from memory), JCGM 100:2008, 4.3.7.
    """
    if pump.speed <= 0.0:
        return 1.0
    equal_m = head_m / pump.speed**2
    flow, growth = pump.curve.flow_at_drop(pump.curve.shut_off_m - equal_m)
    if flow <= 0.0:
        return 1.0
    by_head = tolerance.head * max(equal_m, 0.0) * growth / flow
    return min(1.0, RECTANGULAR * max(tolerance.flow, by_head))


def flow_uncertainty(
    pumps: Sequence[RunningPump], point: OperatingPoint, tolerances: Sequence[Tolerance]
) -> float:
    """Standard uncertainty of the total flow by the curves' tolerances alone.

    Deviations of different pumps count as independent. Main, level and wear add their own.

    Args:
        pumps: as given to ``operating_point``.
        point: what that returned.
        tolerances: one for each pump.

    Returns:
        m3/s.
    """
    return math.sqrt(
        sum(
            (growth * pump.wear * curve_uncertainty(pump, point.head_m, tolerance)) ** 2
            for pump, growth, tolerance in zip(
                pumps, point.flow_per_wear_m3_s, tolerances, strict=True
            )
        )
    )
