"""Level and volume of a well.

Straight walls (a plan area) or a table of levels and volumes, straight between its rows. Above the
last row the last segment is continued; below the first one there is nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise

from collector.plant.equipment import Well


class Geometry:
    """How much water a well holds at a level.

    Args:
        rows: (level in m above the floor, volume in m3), at least two, both rising.

    Raises:
        ValueError: the rows do not rise; the text says where.
    """

    def __init__(self, rows: Sequence[tuple[float, float]]) -> None:
        if len(rows) < 2:
            raise ValueError("a level and volume table needs at least two rows")
        for (l0, v0), (l1, v1) in pairwise(rows):
            if not (l1 > l0 and v1 > v0):
                raise ValueError(f"level and volume rise from row to row, not at {l1:g} m")
        self._levels_m = [level for level, _ in rows]
        self._volumes_m3 = [volume for _, volume in rows]

    @classmethod
    def prism(cls, area_m2: float) -> Geometry:
        """Straight walls over a plan area."""
        return cls([(0.0, 0.0), (1.0, area_m2)])

    def volume_m3(self, level_m: float) -> float:
        """Volume below a level, m3; 0 below the first row."""
        return max(0.0, _straight(self._levels_m, self._volumes_m3, level_m))

    def level_m(self, volume_m3: float) -> float:
        """Level at a volume, m above the floor; never below the first row."""
        level_m = _straight(self._volumes_m3, self._levels_m, volume_m3)
        return max(self._levels_m[0], level_m)

    def area_m2(self, level_m: float) -> float:
        """Growth of the volume with the level, m3/m, just above a level."""
        k = _segment(self._levels_m, level_m)
        rise_m3 = self._volumes_m3[k + 1] - self._volumes_m3[k]
        return rise_m3 / (self._levels_m[k + 1] - self._levels_m[k])

    def between_m3(self, low_m: float, high_m: float) -> float:
        """Volume between two levels, m3; negative if the first is the higher."""
        return self.volume_m3(high_m) - self.volume_m3(low_m)


def maybe_geometry_of(well: Well) -> Geometry | None:
    """The geometry a plant file gives a well; None if it gives none."""
    if well.volume_table is not None:
        return Geometry([(row.level_m, row.volume_m3) for row in well.volume_table])
    return None if well.plan_area_m2 is None else Geometry.prism(well.plan_area_m2)


def _segment(xs: list[float], x: float) -> int:
    if len(xs) == 2:  # straight walls: one segment, and asked for at every step
        return 0
    return min(max(bisect_right(xs, x), 1), len(xs) - 1) - 1


def _straight(xs: list[float], ys: list[float], x: float) -> float:
    k = _segment(xs, x)
    return ys[k] + (x - xs[k]) * (ys[k + 1] - ys[k]) / (xs[k + 1] - xs[k])
