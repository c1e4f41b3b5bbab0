"""Pumps of one kind pushing through one rising main.

Curve of a new pump, power form: ``H = A - B Q^C`` (EPANET 2.2 User Manual, chapter 3.1). A worn or
blocked pump gives ``w`` times the flow at the same head, so ``H = A - B (Q / w)^C``. Friction by
Hazen-Williams, SI form ``h = 10.6668 L Q^1.852 / (C^1.852 d^4.871)`` (same manual, table 3.1, with
the US-unit constant 4.727 converted), minor losses ``K v^2 / 2g``.

Pumps of one well share the main and, here, the curve: at a common head each gives ``w_i x``, so one
unknown ``x`` remains: ``A - B x^C = static + a (W x)^1.852 + b (W x)^2`` with ``W`` the sum of the
``w_i``. The left side falls and the right side rises with ``x``: there is one root, found by
Newton's method inside a bracket.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

GRAVITY_M_S2 = 9.80665
HAZEN_WILLIAMS_EXPONENT = 1.852
HAZEN_WILLIAMS_SI = 10.6668


@dataclass(frozen=True, slots=True)
class PumpCurve:
    """``H = shut_off_m - slope Q^exponent`` with H in m and Q in L/s."""

    shut_off_m: float
    slope: float
    exponent: float

    @classmethod
    def through(
        cls, points: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
    ) -> PumpCurve:
        """The curve through three points (L/s, m), the first at zero flow.

        Source: EPANET 2.2 User Manual, chapter 3.1: ``C = ln((h0-h2)/(h0-h1)) / ln(q2/q1)``,
        ``B = (h0-h1) / q1^C``.
        """
        (_, h0), (q1, h1), (q2, h2) = points
        exponent = math.log((h0 - h2) / (h0 - h1)) / math.log(q2 / q1)
        return cls(h0, (h0 - h1) / q1**exponent, exponent)


@dataclass(frozen=True, slots=True)
class RisingMain:
    """The pipe the pumps push through.

    Args:
        discharge_m: height of its free end above the floor of the well.
        length_m, diameter_m: of the pipe.
        roughness: Hazen-Williams coefficient.
        minor_loss: sum of the coefficients K of bends, valves and outlet.
    """

    discharge_m: float
    length_m: float
    diameter_m: float
    roughness: float
    minor_loss: float

    @property
    def volume_m3(self) -> float:
        """What it holds when full."""
        return math.pi / 4 * self.diameter_m**2 * self.length_m

    def friction_factor(self) -> float:
        """``a`` in ``h = a Q^1.852`` with Q in L/s."""
        e = HAZEN_WILLIAMS_EXPONENT
        per_m3_s = HAZEN_WILLIAMS_SI * self.length_m / (self.roughness**e * self.diameter_m**4.871)
        return float(per_m3_s * 0.001**e)

    def minor_factor(self) -> float:
        """``b`` in ``h = b Q^2`` with Q in L/s."""
        area_m2 = math.pi / 4 * self.diameter_m**2
        return self.minor_loss * (0.001 / area_m2) ** 2 / (2 * GRAVITY_M_S2)


class PumpSet:
    """Finds how much running pumps of one kind give through one main."""

    def __init__(self, curve: PumpCurve, main: RisingMain) -> None:
        self.curve = curve
        self.main = main
        self._a = main.friction_factor()
        self._b = main.minor_factor()

    def operating_point(self, level_m: float, wear_sum: float) -> tuple[float, float]:
        """Total flow and head of the running pumps.

        Args:
            level_m: water in the well above its floor.
            wear_sum: sum of the wear factors of the running pumps.

        Returns:
            Flow in L/s and head in m; no flow where the lift is above the shut-off head.
        """
        curve = self.curve
        static_m = self.main.discharge_m - level_m
        spare_m = curve.shut_off_m - static_m
        if wear_sum <= 0.0 or spare_m <= 0.0:
            return 0.0, curve.shut_off_m
        a = self._a * wear_sum**HAZEN_WILLIAMS_EXPONENT
        b = self._b * wear_sum**2
        slope, exponent = curve.slope, curve.exponent
        low, high = 0.0, (spare_m / slope) ** (1.0 / exponent)
        x = 0.6 * high
        for _ in range(60):
            pump_loss = slope * x**exponent
            friction = a * x**HAZEN_WILLIAMS_EXPONENT
            minor = b * x * x
            excess = pump_loss + friction + minor - spare_m
            if excess > 0.0:
                high = x
            else:
                low = x
            rise = (exponent * pump_loss + HAZEN_WILLIAMS_EXPONENT * friction + 2.0 * minor) / x
            step = excess / rise
            x -= step
            if not low < x < high:
                x = 0.5 * (low + high)
            elif -1e-10 < step < 1e-10:
                break
        return wear_sum * x, curve.shut_off_m - slope * x**exponent
