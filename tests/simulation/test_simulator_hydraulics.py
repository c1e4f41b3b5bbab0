"""The simulator's pumps against figures computed outside the project."""

from __future__ import annotations

import pytest

from simulator.hydraulics import PumpCurve, PumpSet, RisingMain

THREE_POINTS = ((0.0, 12.0), (4.0, 9.0), (6.0, 6.0))
MAIN = RisingMain(discharge_m=5.0, length_m=60.0, diameter_m=0.080, roughness=130.0, minor_loss=8.0)


def test_three_point_curve_has_the_published_form() -> None:
    """(0, 12), (4, 9), (6, 6) L/s, m gives A = 12, B = 0.280474, C = 1.709511.

    Source: formulas of the EPANET 2.2 User Manual, chapter 3.1, worked by hand.
    """
    curve = PumpCurve.through(THREE_POINTS)
    assert curve.shut_off_m == 12.0
    assert curve.slope == pytest.approx(0.280474, abs=5e-7)
    assert curve.exponent == pytest.approx(1.709511, abs=5e-7)


@pytest.mark.parametrize(
    ("pumps", "flow_l_per_s", "head_m"), [(1, 5.6015, 6.6650), (2, 8.4988, 8.6732)]
)
def test_operating_point_agrees_with_epanet(pumps: int, flow_l_per_s: float, head_m: float) -> None:
    """Through 60 m of 80 mm main (Hazen-Williams 130, K = 8) lifting 5 m, one pump and two in
    parallel work where the EPANET 2.2 engine says, within 0.5 %.

    Source: run of the EPANET 2.2 engine on this network.
    """
    flow, head = PumpSet(PumpCurve.through(THREE_POINTS), MAIN).operating_point(0.0, float(pumps))
    assert flow == pytest.approx(flow_l_per_s, rel=0.005)
    assert head == pytest.approx(head_m, rel=0.005)


def test_friction_and_minor_loss_of_the_main() -> None:
    """At 4 L/s the main loses 0.62119 m by friction and 0.25830 m in fittings.

    Source: Hazen-Williams in SI form, from the EPANET 2.2 User Manual, table 3.1; K v^2/2g.
    """
    assert MAIN.friction_factor() * 4.0**1.852 == pytest.approx(0.62119, abs=2e-5)
    assert MAIN.minor_factor() * 4.0**2 == pytest.approx(0.25830, abs=2e-5)


@pytest.mark.parametrize("wear_sum", [0.05, 0.3, 0.95, 1.0, 1.87, 2.0])
@pytest.mark.parametrize("level_m", [-2.0, 0.0, 0.4, 1.8, 4.9])
def test_pump_and_system_meet(wear_sum: float, level_m: float) -> None:
    """Wherever the solver stops, the curve and the system curve give the same head."""
    curve = PumpCurve.through(THREE_POINTS)
    flow, head = PumpSet(curve, MAIN).operating_point(level_m, wear_sum)
    system_m = (
        MAIN.discharge_m
        - level_m
        + MAIN.friction_factor() * flow**1.852
        + MAIN.minor_factor() * flow**2
    )
    assert head == pytest.approx(system_m, abs=1e-7)
    assert head == pytest.approx(12.0 - curve.slope * (flow / wear_sum) ** curve.exponent, abs=1e-9)


def test_no_flow_above_the_shut_off_head_or_without_pumps() -> None:
    """A lift above the shut-off head, or no pump at all, gives no flow."""
    pumps = PumpSet(PumpCurve.through(THREE_POINTS), MAIN)
    assert pumps.operating_point(-8.0, 1.0)[0] == 0.0
    assert pumps.operating_point(0.0, 0.0)[0] == 0.0
