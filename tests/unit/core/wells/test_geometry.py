"""Level and volume: elementary geometry, and an inverse that is one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.wells.geometry import Geometry

BOWSER = Geometry([(0.0, 0.0), (0.3, 0.52), (0.6, 1.38), (0.9, 2.24), (1.2, 2.76)])


def test_straight_walls_hold_area_times_height() -> None:
    """3 m2 over 0.59 m hold 1.77 m3, and the area is the same everywhere."""
    prism = Geometry.prism(3.0)
    assert prism.between_m3(0.36, 0.95) == pytest.approx(1.77)
    assert prism.area_m2(0.1) == prism.area_m2(5.0) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("level_m", "volume_m3", "area_m2"),
    [(0.15, 0.26, 0.52 / 0.3), (0.3, 0.52, 0.86 / 0.3), (0.75, 1.81, 0.86 / 0.3),
     (1.2, 2.76, 0.52 / 0.3), (1.5, 3.28, 0.52 / 0.3)],
)  # fmt: skip
def test_a_table_is_straight_between_rows(level_m: float, volume_m3: float, area_m2: float) -> None:
    """Halfway between rows lies the mean of their volumes; above the last row the slope goes on."""
    assert BOWSER.volume_m3(level_m) == pytest.approx(volume_m3)
    assert BOWSER.level_m(volume_m3) == pytest.approx(level_m)
    assert BOWSER.area_m2(level_m) == pytest.approx(area_m2)


def test_below_the_first_row_there_is_nothing() -> None:
    """No volume is negative, and no level lies below the first row."""
    assert BOWSER.volume_m3(-0.1) == 0.0
    assert BOWSER.level_m(-0.1) == 0.0


ROWS = st.lists(st.tuples(st.floats(0.01, 2.0), st.floats(0.001, 50.0)), min_size=1, max_size=8)


@given(ROWS, st.floats(0.0, 1.0))
def test_level_and_volume_are_each_others_inverse(
    steps: list[tuple[float, float]], share: float
) -> None:
    """Whatever the table, the level of the volume at a level is that level again."""
    rows = [(0.0, 0.0)]
    for rise_m, rise_m3 in steps:
        rows.append((rows[-1][0] + rise_m, rows[-1][1] + rise_m3))
    geometry = Geometry(rows)
    level_m = share * rows[-1][0]
    assert geometry.level_m(geometry.volume_m3(level_m)) == pytest.approx(level_m, abs=1e-9)


@pytest.mark.parametrize("rows", [[(0.0, 0.0)], [(0.0, 0.0), (0.5, 0.0)], [(0.5, 0.0), (0.5, 1.0)]])
def test_rows_that_do_not_rise_are_refused(rows: list[tuple[float, float]]) -> None:
    """A table of one row, of one volume or of one level is none."""
    with pytest.raises(ValueError, match="row"):
        Geometry(rows)
