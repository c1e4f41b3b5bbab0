"""Friction and losses against published formulas and the ``fluids`` library."""

from __future__ import annotations

import math

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.hydraulics.friction import (
    GRAVITY_M_S2,
    friction_factor,
    hazen_williams_factor,
)
from collector.core.hydraulics.mains import Main
from tests.unit.core.hydraulics.stations_for_tests import mains

FLOW_M3_S = 0.004


def test_loss_by_hazen_williams() -> None:
    """4 L/s through 60 m of 80 mm with C = 130 lose 0.62119 m.

    Source: EPANET 2.2 User Manual, table 3.1, converted to SI units, worked by hand.
    """
    main = Main(5.0, 60.0, 0.080, hazen_williams_c=130.0)
    assert main.loss_m(FLOW_M3_S) == pytest.approx(0.62119, abs=5e-6)


def test_loss_in_fittings() -> None:
    """K = 8 at 4 L/s in 80 mm loses 0.25830 m.

    Source: K v^2 / 2g, EPANET 2.2 User Manual, chapter 3.1, worked by hand.
    """
    with_fittings = Main(5.0, 60.0, 0.080, hazen_williams_c=130.0, minor_loss_k=8.0)
    without = Main(5.0, 60.0, 0.080, hazen_williams_c=130.0)
    fittings_m = with_fittings.loss_m(FLOW_M3_S) - without.loss_m(FLOW_M3_S)
    assert fittings_m == pytest.approx(0.25830, abs=1e-5)


def test_loss_by_darcy_weisbach() -> None:
    """4 L/s through 60 m of 80 mm, roughness 0.1 mm, viscosity 1e-6 m2/s: Reynolds number 63662,
    factor 0.024196, 0.58591 m.

    Source: Swamee-Jain as in the EPANET 2.2 User Manual, chapter 12.1, worked by hand.
    """
    main = Main(5.0, 60.0, 0.080, roughness_m=1e-4)
    assert main.reynolds(FLOW_M3_S) == pytest.approx(63662.0, abs=1.0)
    assert friction_factor(63662.0, 1e-4 / 0.080)[0] == pytest.approx(0.024196, abs=5e-7)
    assert main.loss_m(FLOW_M3_S) == pytest.approx(0.58591, abs=1e-5)


def test_hazen_williams_in_feet_is_the_same_formula() -> None:
    """The SI constant is the manual's 4.727 for feet and cubic feet a second, within 0.02 %.

    Source: EPANET 2.2 User Manual, table 3.1: ``4.727 C^-1.852 d^-4.871 L q^1.852``.
    """
    foot = 0.3048
    q_ft3_s = FLOW_M3_S / foot**3
    h_ft = 4.727 * 130.0**-1.852 * (0.080 / foot) ** -4.871 * (60.0 / foot) * q_ft3_s**1.852
    ours_m = hazen_williams_factor(60.0, 0.080, 130.0) * FLOW_M3_S**1.852
    assert ours_m == pytest.approx(h_ft * foot, rel=2e-4)


@pytest.mark.parametrize("relative_roughness", [0.0, 1e-6, 1e-5, 1e-4, 1e-3, 5e-3, 0.01])
@pytest.mark.parametrize("reynolds", [4e3, 5e3, 1e4, 3e4, 1e5, 1e6, 1e7, 1e8])
def test_turbulent_friction_agrees_with_the_library(
    reynolds: float, relative_roughness: float
) -> None:
    """The factor is Swamee and Jain's to the last digits, and within 3.5 % of Colebrook's.

    Source: ``fluids.friction``, Swamee_Jain_1976 and Colebrook.
    """
    factor = friction_factor(reynolds, relative_roughness)[0]
    # The library takes 6.97 for 1/Re^0.9 inside, which is 5.74 rounded another way.
    assert factor == pytest.approx(
        fluids.friction.Swamee_Jain_1976(reynolds, relative_roughness), rel=2e-3
    )
    assert factor == pytest.approx(
        fluids.friction.Colebrook(reynolds, relative_roughness), rel=0.035
    )


@pytest.mark.parametrize("reynolds", [1.0, 100.0, 1000.0, 1999.0])
def test_laminar_friction_is_the_same_for_any_roughness(reynolds: float) -> None:
    """Below a Reynolds number of 2000 the factor is 64 / Re.

    Source: Hagen-Poiseuille; ``fluids.friction.friction_laminar``.
    """
    for roughness in (0.0, 0.01):
        factor = friction_factor(reynolds, roughness)[0]
        assert factor == pytest.approx(fluids.friction.friction_laminar(reynolds))


@pytest.mark.parametrize("relative_roughness", [0.0, 1e-4, 1e-3, 0.01, 0.05])
@pytest.mark.parametrize("border", [2000.0, 4000.0])
def test_friction_has_no_step_between_laminar_and_turbulent(
    border: float, relative_roughness: float
) -> None:
    """At 2000 and 4000 the factor and its slope go on as they were.

    Source: Dunlop's cubic is made for that (EPANET 2.2 User Manual, chapter 12.1); its constants
    are rounded to five digits.
    """
    below = friction_factor(border * (1.0 - 1e-9), relative_roughness)
    above = friction_factor(border * (1.0 + 1e-9), relative_roughness)
    assert below[0] == pytest.approx(above[0], rel=1e-4)
    assert below[1] == pytest.approx(above[1], rel=1e-2)


@given(mains(), st.floats(1e-5, 0.05))
def test_the_slope_of_the_loss_is_its_derivative(main: Main, flow: float) -> None:
    """The slope equals the difference quotient of the loss."""
    width = 1e-5 * flow
    quotient = (main.loss_m(flow + width) - main.loss_m(flow - width)) / (2.0 * width)
    for border in (2000.0, 4000.0):
        if abs(main.reynolds(flow) / border - 1.0) < 1e-4:
            return  # the constants of the cubic are rounded: a step of 1e-5 of the factor there
    assert main.loss_and_slope(flow)[1] == pytest.approx(quotient, rel=1e-5)


@given(mains(), st.floats(0.0, 0.05), st.floats(1e-6, 0.02))
def test_more_flow_loses_more_head(main: Main, flow: float, more: float) -> None:
    """The loss rises strictly with the flow and is none without flow."""
    assert main.loss_m(flow + more) > main.loss_m(flow)
    assert main.loss_m(0.0) == 0.0
    assert main.loss_and_slope(0.0) == (0.0, 0.0)


def test_the_system_curve_sinks_as_the_well_fills() -> None:
    """Lift is discharge height minus level; the rest is loss."""
    main = Main(5.0, 60.0, 0.080, hazen_williams_c=130.0, minor_loss_k=8.0)
    assert main.lift_m(0.8) == pytest.approx(4.2)
    assert main.system_head_m(FLOW_M3_S, 0.8) == pytest.approx(4.2 + 0.62119 + 0.25830, abs=2e-5)
    assert main.volume_m3 == pytest.approx(math.pi * 0.04**2 * 60.0)
    assert main.velocity_m_s(FLOW_M3_S) == pytest.approx(
        math.sqrt(0.25830 / 8.0 * 2.0 * GRAVITY_M_S2), rel=1e-4
    )
