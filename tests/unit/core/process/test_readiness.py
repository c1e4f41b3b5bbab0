"""How many pumps of a well could be called; definitions, common practice, no source."""

from __future__ import annotations

import json

import pytest

from collector.core.process.readiness import PumpReadiness
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.plant.equipment import Pump

PUMPS = {
    "p1": Pump(kind="pump", title="1", well="sump", run="a.run_1", fault="a.fault_1",
               auto="a.auto_1"),
    "p2": Pump(kind="pump", title="2", well="sump", run="b.run_2", auto="b.auto_2"),
}  # fmt: skip
HEALTHY = {
    "a.run_1": False, "a.fault_1": False, "a.auto_1": True, "b.run_2": True, "b.auto_2": True,
}  # fmt: skip


def change(point: str, made: bool, at_us: int) -> PointChanged:
    return PointChanged(point, made, Quality.GOOD, "", at_us, at_us)


def known() -> PumpReadiness:
    """Both pumps ready."""
    ready = PumpReadiness("sump", PUMPS)
    for point, made in HEALTHY.items():
        ready.point_changed(change(point, made, 1))
    return ready


def figure(outputs: list[Output]) -> tuple[object, Quality, float | None]:
    """Value, quality and upper bound of the last figure told."""
    told = outputs[-1]
    assert isinstance(told, Derived)
    assert told.subject == "sump.pumps_ready"
    return told.value, told.quality, told.high


@pytest.mark.parametrize(
    ("point", "made", "left"),
    [("a.fault_1", True, 1.0), ("a.auto_1", False, 1.0), ("b.auto_2", False, 1.0)],
)
def test_a_fault_or_a_selector_out_of_auto_takes_a_pump_out(
    point: str, made: bool, left: float
) -> None:
    """The other one is left."""
    assert figure(known().point_changed(change(point, made, 2))) == (left, Quality.GOOD, left)


def test_none_is_left_when_both_are_out() -> None:
    """Known to be none, so known good."""
    ready = known()
    ready.point_changed(change("a.fault_1", True, 2))
    assert figure(ready.point_changed(change("b.auto_2", False, 3))) == (0.0, Quality.GOOD, 0.0)


def test_a_pump_nobody_sees_counts_neither_way() -> None:
    """One that is ready is at least one; without one the count is not known. Found again, all is as
    before."""
    ready = known()
    assert figure(ready.lost("b", "link lost", 2, 3)) == (1.0, Quality.UNCERTAIN, 2.0)
    assert figure(ready.point_changed(change("a.fault_1", True, 4))) == (None, Quality.BAD, 1.0)
    ready.point_changed(change("a.fault_1", False, 5))
    assert figure(ready.returned("b", 6)) == (2.0, Quality.GOOD, 2.0)


def test_it_continues_from_its_saved_state() -> None:
    """What was told already is not told again."""
    ready, other = known(), PumpReadiness("sump", PUMPS)
    other.restore(json.loads(json.dumps(ready.save())))
    assert other.returned("a", 2) == []
    assert figure(other.point_changed(change("a.auto_1", False, 3))) == (1.0, Quality.GOOD, 1.0)
