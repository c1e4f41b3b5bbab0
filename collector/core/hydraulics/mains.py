"""The rising main of a well: pipe or hose, with its fittings and its lift.

System curve: ``H = lift + friction + K v^2/2g``; the lift is the height of the discharge minus the
level in the well, both above the floor, so it shrinks as the well fills. The main counts as full
of water and open to the air at its end (a discharge below water counts by that water's surface).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.core.hydraulics.friction import (
    GRAVITY_M_S2,
    HAZEN_WILLIAMS_EXPONENT,
    WATER_VISCOSITY_M2_S,
    friction_factor,
    hazen_williams_factor,
)

NO_FLOW_M3_S = 1e-15
"""Below it a flow counts as none: Reynolds numbers near 0 are no numbers to divide by."""


@dataclass(frozen=True, slots=True)
class Main:
    """A rising main.

    Args:
        discharge_height_m: its free end above the floor of the well.
        length_m, diameter_m: of the pipe, inside.
        hazen_williams_c: coefficient of Hazen-Williams, or None.
        roughness_m: roughness for Darcy-Weisbach, used where ``hazen_williams_c`` is None.
        minor_loss_k: sum of the coefficients of bends, valves and outlet, on v^2/2g.
        viscosity_m2_s: kinematic viscosity for Darcy-Weisbach.
    """

    discharge_height_m: float
    length_m: float
    diameter_m: float
    hazen_williams_c: float | None = None
    roughness_m: float = 0.0
    minor_loss_k: float = 0.0
    viscosity_m2_s: float = WATER_VISCOSITY_M2_S
    _friction: float = field(init=False, repr=False, compare=False)
    _minor: float = field(init=False, repr=False, compare=False)
    _reynolds: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        area_m2 = math.pi / 4.0 * self.diameter_m**2
        velocity_head = 1.0 / (area_m2**2 * 2.0 * GRAVITY_M_S2)
        if self.hazen_williams_c is not None:
            friction = hazen_williams_factor(self.length_m, self.diameter_m, self.hazen_williams_c)
        else:
            friction = self.length_m / self.diameter_m * velocity_head
        object.__setattr__(self, "_friction", friction)
        object.__setattr__(self, "_minor", self.minor_loss_k * velocity_head)
        object.__setattr__(self, "_reynolds", self.diameter_m / (area_m2 * self.viscosity_m2_s))

    @property
    def volume_m3(self) -> float:
        """What it holds when full."""
        return math.pi / 4.0 * self.diameter_m**2 * self.length_m

    def lift_m(self, level_m: float) -> float:
        """Height to which the water is lifted, from a level in the well; may be negative."""
        return self.discharge_height_m - level_m

    def velocity_m_s(self, flow_m3_s: float) -> float:
        """Mean velocity at a flow."""
        return flow_m3_s / (math.pi / 4.0 * self.diameter_m**2)

    def reynolds(self, flow_m3_s: float) -> float:
        """Reynolds number at a flow."""
        return self._reynolds * flow_m3_s

    def loss_m(self, flow_m3_s: float) -> float:
        """Head lost to friction and fittings at a flow of at least 0, m."""
        return self.loss_and_slope(flow_m3_s)[0]

    def system_head_m(self, flow_m3_s: float, level_m: float) -> float:
        """Head the pumps must give for a flow out of a well at a level: the system curve."""
        return self.lift_m(level_m) + self.loss_m(flow_m3_s)

    def loss_and_slope(self, flow_m3_s: float) -> tuple[float, float]:
        """Head lost at a flow, and its growth with the flow.

        Args:
            flow_m3_s: at least 0.

        Returns:
            m, and m per m3/s.
        """
        if flow_m3_s <= NO_FLOW_M3_S:
            return 0.0, 0.0
        minor_m = self._minor * flow_m3_s * flow_m3_s
        if self.hazen_williams_c is not None:
            friction_m = self._friction * flow_m3_s**HAZEN_WILLIAMS_EXPONENT
            steepness = HAZEN_WILLIAMS_EXPONENT * friction_m
        else:
            reynolds = self._reynolds * flow_m3_s
            factor, growth = friction_factor(reynolds, self.roughness_m / self.diameter_m)
            square = self._friction * flow_m3_s * flow_m3_s
            friction_m = factor * square
            steepness = 2.0 * friction_m + growth * reynolds * square
        return friction_m + minor_m, (steepness + 2.0 * minor_m) / flow_m3_s
