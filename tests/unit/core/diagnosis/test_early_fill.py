"""A leaking check valve by the shape of the fill; truth by the volumes of a tank with straight
walls and a main of known length."""

from __future__ import annotations

import json

import pytest

from collector.core.diagnosis.early_fill import EarlyFill, shows_a_leak
from collector.core.records import Finding, Output, PointChanged, Quality
from collector.core.wells.geometry import Geometry
from collector.plant.equipment import Float, Well
from tests.unit.core.scans_for_tests import us

AREA_M2 = 3.0
LOW = Float(point="p.low", makes_at_m=0.42, breaks_at_m=0.36)  # 0.18 m3 apart
START = Float(point="p.start_1", makes_at_m=0.95, breaks_at_m=0.87)  # 1.59 m3 above low
INFLOW_M3_S = 0.0005


class Fills:
    """Fills at one inflow, with so much running back in the first part of each."""

    def __init__(self) -> None:
        self.watch = self._new()
        self.now_s = 0.0
        self.found: list[Output] = []
        for point, made in (("p.low", True), ("p.start_1", False), ("p.run", False)):
            self._move(point, made)

    @staticmethod
    def _new() -> EarlyFill:
        return EarlyFill("sump", "Sump", LOW, START, ["p.run"], Geometry.prism(AREA_M2), us(5))

    def _move(self, point: str, made: bool) -> None:
        at_us = us(self.now_s)
        self.found += self.watch.point_changed(
            PointChanged(point, made, Quality.GOOD, "", at_us, at_us)
        )

    def fill(self, count: int, back_m3: float = 0.0) -> Fills:
        """Run dry, stop, fill to start-1, run again."""
        for _ in range(count):
            for point, made, wait_s in (
                ("p.start_1", True, 3.0), ("p.run", True, 60.0), ("p.start_1", False, 200.0),
                ("p.low", False, 1.0), ("p.run", False, (0.18 - back_m3) / INFLOW_M3_S),
                ("p.low", True, 1.59 / INFLOW_M3_S),
            ):  # fmt: skip
                self._move(point, made)
                self.now_s += wait_s
        return self

    def restart(self) -> Fills:
        """Go on from the saved state, through JSON text."""
        saved = json.loads(json.dumps(self.watch.save()))
        self.watch = self._new()
        self.watch.restore(saved)
        return self

    @property
    def stands(self) -> bool:
        """Whether the finding stands."""
        findings = [each for each in self.found if isinstance(each, Finding)]
        return bool(findings) and findings[-1].standing


def test_even_fills_mean_nothing() -> None:
    """A hundred of them."""
    assert not Fills().fill(100).stands


def test_a_main_that_runs_back_shortens_the_first_part() -> None:
    """110 L of 180 L come back after each stop: the first part takes 0.39 of its time."""
    fills = Fills().fill(40).restart().fill(30, back_m3=0.11)
    assert fills.stands
    text = next(each.text for each in fills.found if isinstance(each, Finding))
    assert "2.6 times" in text  # 0.18 / (0.18 - 0.11), less a second of the pump running out
    assert not fills.fill(30).stands


def test_a_gulp_in_some_fills_is_no_leak() -> None:
    """Every third fill."""
    fills = Fills().fill(40)
    for _ in range(20):
        fills.fill(2).fill(1, back_m3=0.11)
    assert not fills.stands


@pytest.mark.parametrize(("length_m", "shows"), [(22.0, True), (14.0, False)])
def test_a_main_too_small_for_the_well_shows_nothing(length_m: float, shows: bool) -> None:
    """80 mm inside: 22 m hold 111 L, more than 0.39 of 180 L; 14 m hold 70 L, hardly less than
    71 L."""
    well = Well.model_validate(
        {
            "kind": "well", "title": "Sump", "plan_area_m2": AREA_M2,
            "main": {"discharge_height_m": 4.0, "length_m": length_m, "inner_diameter_mm": 80.0,
                     "hazen_williams_c": 130.0},
        }
    )  # fmt: skip
    assert shows_a_leak(well, LOW, Geometry.prism(AREA_M2)) is shows
