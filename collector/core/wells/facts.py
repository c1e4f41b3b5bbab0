"""What the estimator is told of a well, and the figure with which it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from collector.core.wells.geometry import Geometry
from collector.plant.equipment import Well

MODEL_SHARE = 0.005
"""Standard error of volumes by what the model leaves out, as a share of them, if heights and areas
are right. By experience with simulated plants: totals of a month were off by up to 0.3 per cent,
whatever their number of cycles. Errors of heights and areas come on top and are not known here."""


@dataclass(frozen=True, slots=True)
class Heights:
    """Where a float makes and breaks, m above the floor."""

    makes_m: float
    breaks_m: float


@dataclass(frozen=True, slots=True)
class WellFacts:
    """What is known of a well.

    Args:
        geometry: level and volume.
        floats: by role.
        overflow_m: height of its edge, or None.
        metered: the level is measured too.
    """

    geometry: Geometry
    floats: Mapping[str, Heights]
    overflow_m: float | None = None
    metered: bool = False

    @property
    def working_m(self) -> tuple[float, float]:
        """Stop and start level, m; between them the level stays while all is well."""
        heights = sorted(self.floats.values(), key=lambda each: each.makes_m)
        if not heights:
            top_m = self.overflow_m or 1.0
            return 0.3 * top_m, 0.6 * top_m
        start = self.floats.get("start_1", heights[min(1, len(heights) - 1)])
        low_m = min(each.breaks_m for each in heights)
        return (low_m if low_m < start.makes_m else 0.5 * start.makes_m), start.makes_m

    @property
    def working_m3(self) -> float:
        """Volume between stop and start level; the scale of everything that happens in it."""
        return self.geometry.between_m3(*self.working_m)

    @property
    def middle_m(self) -> float:
        """The middle of the working range, m."""
        low_m, high_m = self.working_m
        return 0.5 * (low_m + high_m)


@dataclass(frozen=True, slots=True)
class Figure:
    """An estimate with its standard error."""

    value: float
    error: float


def facts_of(well: Well, geometry: Geometry) -> WellFacts:
    """What the plant file says of a well, as the estimator wants it."""
    heights = {
        role: Heights(switch.makes_at_m, switch.breaks_m) for role, switch in well.floats.by_role()
    }
    return WellFacts(geometry, heights, well.overflow_m, well.level is not None)
