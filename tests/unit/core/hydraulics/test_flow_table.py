"""A table of flows answers as the solver does."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.hydraulics.curves import curve_through
from collector.core.hydraulics.flow_table import FlowTable
from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import RunningPump, operating_point

CURVE = curve_through([(0.0, 12.0), (0.004, 9.0), (0.006, 6.0)])
OTHER = curve_through([(0.003, 8.0)])
MAIN = Main(5.0, 60.0, 0.080, hazen_williams_c=130.0, minor_loss_k=8.0)
NARROW = Main(5.0, 300.0, 0.065, roughness_m=1e-4, minor_loss_k=15.0)
STATIONS = [
    ([RunningPump(CURVE)], MAIN),
    ([RunningPump(CURVE), RunningPump(CURVE, 1.0, 0.9)], MAIN),
    ([RunningPump(CURVE), RunningPump(OTHER, 1.0, 0.95)], NARROW),
]
TABLES = [FlowTable(running, main, 0.2, 1.9) for running, main in STATIONS]


@given(st.sampled_from(range(len(STATIONS))), st.floats(0.2, 1.9))
def test_a_table_gives_the_solver_s_flow(number: int, level_m: float) -> None:
    """Flow within a millionth, growth with level within 1e-4, growth with wear within 1e-3."""
    running, main = STATIONS[number]
    exact = operating_point(running, main, main.lift_m(level_m))
    found = TABLES[number].at(level_m)
    assert found.flow_m3_s == pytest.approx(exact.flow_m3_s, rel=1e-6)
    assert found.flow_per_level_m2_s == pytest.approx(exact.flow_per_level_m2_s, rel=1e-4)
    assert found.flow_per_wear_m3_s == pytest.approx(exact.flow_per_wear_m3_s, rel=1e-3)


@given(
    st.sampled_from(range(len(STATIONS))),
    st.floats(0.2, 1.9),
    st.lists(st.floats(-0.05, 0.05), min_size=2, max_size=2),
)
def test_a_little_wear_needs_no_new_table(number: int, level_m: float, moved: list[float]) -> None:
    """With wear factors up to 0.05 off the table's, the flow is within 0.3 %."""
    running, main = STATIONS[number]
    wear = [pump.wear + shift for pump, shift in zip(running, moved, strict=False)]
    now = [RunningPump(p.curve, p.speed, w) for p, w in zip(running, wear, strict=True)]
    exact = operating_point(now, main, main.lift_m(level_m)).flow_m3_s
    assert TABLES[number].at(level_m, wear).flow_m3_s == pytest.approx(exact, rel=0.003)


@pytest.mark.parametrize("level_m", [-0.5, 0.0, 2.0, 4.9])
def test_outside_its_levels_a_table_solves_anew(level_m: float) -> None:
    """Beyond its range a table extrapolates nothing."""
    for (running, main), table in zip(STATIONS, TABLES, strict=True):
        exact = operating_point(running, main, main.lift_m(level_m))
        assert table.at(level_m).flow_m3_s == exact.flow_m3_s
        worn = [RunningPump(pump.curve, 1.0, 0.5) for pump in running]
        exact = operating_point(worn, main, main.lift_m(level_m))
        assert table.at(level_m, [0.5] * len(running)).flow_m3_s == exact.flow_m3_s


def test_a_table_knows_its_own_error() -> None:
    """The error a table states is what a finer comparison finds, within a factor of 3, also where
    a weak pump drops out in the middle of its range.
    """
    weak = curve_through([(0.0, 6.2), (0.002, 6.0), (0.004, 5.4)])
    running = [RunningPump(CURVE), RunningPump(weak)]
    table = FlowTable(running, MAIN, 0.2, 1.9)
    worst = max(
        abs(table.at(level_m).flow_m3_s - operating_point(running, MAIN, 5.0 - level_m).flow_m3_s)
        for level_m in (0.2 + 1.7 * k / 1000.0 for k in range(1001))
    )
    shut = [table.at(level_m).flow_per_wear_m3_s[1] == 0.0 for level_m in (0.2, 1.9)]
    assert shut == [True, False]
    assert table.error_m3_s <= worst <= 3.0 * table.error_m3_s
    assert worst < 0.02 * table.at(1.0).flow_m3_s


def test_a_table_needs_a_range() -> None:
    """Levels in the wrong order are refused."""
    with pytest.raises(ValueError, match="high level above its low one"):
        FlowTable([RunningPump(CURVE)], MAIN, 1.0, 1.0)
