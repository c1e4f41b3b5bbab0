"""Pump curves against the formulas they come from and a general interpolation library."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator  # type: ignore[import-untyped]

from collector.core.hydraulics.curves import (
    CurveForm,
    Point,
    PowerCurve,
    PumpCurve,
    SegmentCurve,
    SmoothCurve,
    curve_through,
)
from tests.unit.core.hydraulics.stations_for_tests import points_strategy

THREE = [(0.0, 12.0), (0.004, 9.0), (0.006, 6.0)]
FIVE = [(0.0, 14.0), (0.002, 13.1), (0.0045, 11.2), (0.007, 7.9), (0.0085, 4.0)]


def test_three_points_give_the_published_power_form() -> None:
    """(0, 12), (4, 9), (6, 6) L/s, m gives A = 12, B = 0.280474, C = 1.709511 with Q in L/s.

    Source: formulas of the EPANET 2.2 User Manual, chapter 3.1, worked by hand.
    """
    curve = curve_through(THREE)
    assert isinstance(curve, PowerCurve)
    assert curve.shut_off_m == 12.0
    assert curve.exponent == pytest.approx(1.709511, abs=5e-7)
    assert curve.coefficient * 0.001**curve.exponent == pytest.approx(0.280474, abs=5e-7)


def test_one_point_gives_four_thirds_of_its_head_and_twice_its_flow() -> None:
    """A design point of 4 L/s at 9 m: shut-off head 12 m, no head at 8 L/s.

    Source: EPANET 2.2 User Manual, chapter 3.1.
    """
    curve = curve_through([(0.004, 9.0)])
    assert curve.shut_off_m == pytest.approx(12.0)
    assert curve.run_out_m3_s == pytest.approx(0.008)
    assert curve.head_m(0.004) == pytest.approx(9.0)
    assert curve.head_m(0.002) == pytest.approx(4.0 / 3.0 * 9.0 - 3.0 * 0.25)


@pytest.mark.parametrize(
    ("points", "form", "kind"),
    [
        (THREE[:1] + THREE[2:], "standard", SegmentCurve),
        ([(0.001, 11.0), *THREE[1:]], "standard", SegmentCurve),
        (FIVE, "standard", SegmentCurve),
        (FIVE, "smooth", SmoothCurve),
        (THREE, "smooth", SmoothCurve),
        # An exponent of 33: EPANET has no power form for it either.
        ([(0.0, 10.0), (0.004, 9.999), (0.005, 2.0)], "standard", SegmentCurve),
    ],
)
def test_the_number_of_points_decides_the_form(
    points: list[Point], form: CurveForm, kind: type[PumpCurve]
) -> None:
    """Two, four and more points, or three that do not begin at zero flow, are joined by segments.

    Source: EPANET 2.2 User Manual, chapter 3.1.
    """
    curve = curve_through(points, form)
    assert type(curve) is kind
    for flow, head in points:
        assert curve.head_m(flow) == pytest.approx(head)


def test_segments_are_straight_and_go_on_at_both_ends() -> None:
    """Between (2, 10) and (4, 8) L/s, m there are 9 m at 3 L/s; 12 m at none; 0 m at 12 L/s."""
    curve = curve_through([(0.002, 10.0), (0.004, 8.0)])
    assert curve.head_m(0.003) == pytest.approx(9.0)
    assert curve.shut_off_m == pytest.approx(12.0)
    assert curve.run_out_m3_s == pytest.approx(0.012)
    assert curve.flow_at_drop(3.0) == pytest.approx((0.003, 0.001))


def test_the_smooth_form_is_the_published_monotone_cubic() -> None:
    """Between its points the smooth curve is PCHIP's.

    Source: ``scipy.interpolate.PchipInterpolator``, after Fritsch and Butland (1984).
    """
    reference = PchipInterpolator([q for q, _ in FIVE], [h for _, h in FIVE])
    curve = curve_through(FIVE, "smooth")
    for k in range(201):
        flow = FIVE[-1][0] * k / 200.0
        assert curve.head_m(flow) == pytest.approx(float(reference(flow)), abs=1e-9)


@pytest.mark.parametrize(
    ("form", "near", "far"), [("standard", 0.05, 0.02), ("smooth", 0.02, 0.005)]
)
def test_forms_through_five_points_lie_close(form: CurveForm, near: float, far: float) -> None:
    """Through five points of a power curve, segments lie within 5 % of its flow from the second
    point on and 2 % from the third, the smooth form within 2 % and 0.5 %.
    """
    power = curve_through(THREE)
    points = [(q, power.head_m(q)) for q in (0.0, 0.0015, 0.003, 0.0045, 0.006)]
    other = curve_through(points, form)
    for k in range(101):
        flow = 0.0015 + 0.0045 * k / 100.0
        found = other.flow_at_drop(power.shut_off_m - power.head_m(flow))[0]
        assert found == pytest.approx(flow, rel=near if flow < 0.003 else far)


@pytest.mark.parametrize(
    ("points", "why"),
    [
        ([], "at least one point"),
        ([(0.0, 9.0)], "a single point"),
        ([(0.004, 0.0)], "a single point"),
        ([(-0.001, 9.0), (0.004, 8.0)], "flows begin"),
        ([(0.0, 0.0), (0.004, -1.0)], "the first head"),
        ([(0.0, 9.0), (0.0, 8.0)], "flows rise"),
        ([(0.0, 9.0), (0.004, 9.0)], "heads fall"),
    ],
)
def test_points_that_do_not_fall_are_no_curve(points: list[Point], why: str) -> None:
    """Points that do not make a falling curve are refused with the reason."""
    with pytest.raises(ValueError, match=why):
        curve_through(points)


@given(points_strategy(), st.sampled_from(["standard", "smooth"]), st.floats(0.001, 1.3))
def test_flow_and_head_are_each_others_inverse(
    points: list[Point], form: CurveForm, share: float
) -> None:
    """The flow at the drop of a flow is that flow, and the growth is the curve's own slope."""
    curve = curve_through(points, form)
    flow = share * points[-1][0]
    drop = curve.shut_off_m - curve.head_m(flow)
    assume(drop > 1e-9)  # nearer to shut-off a flat curve's head tells no flow
    found, growth = curve.flow_at_drop(drop)
    # The drop is a difference of two heads: so much of it is not known.
    unsure = 1e-12 * curve.shut_off_m * growth
    assert found == pytest.approx(flow, rel=1e-7, abs=1e-12 + unsure)
    assert growth >= 0.0


@given(points_strategy(), st.sampled_from(["standard", "smooth"]), st.randoms())
def test_every_curve_falls(points: list[Point], form: CurveForm, rng: random.Random) -> None:
    """More flow never has more head, and a larger drop never less flow, on any form."""
    curve = curve_through(points, form)
    flows = sorted(rng.uniform(0.0, 1.5 * points[-1][0]) for _ in range(20))
    heads = [curve.head_m(flow) for flow in flows]
    assert all(a >= b - 1e-9 * curve.shut_off_m for a, b in pairwise(heads))
    drops = sorted(rng.uniform(0.0, 1.5 * curve.shut_off_m) for _ in range(20))
    found = [curve.flow_at_drop(drop)[0] for drop in drops]
    assert all(a <= b + 1e-12 for a, b in pairwise(found))


@given(points_strategy(), st.sampled_from(["standard", "smooth"]))
def test_run_out_is_where_the_head_is_gone(points: list[Point], form: CurveForm) -> None:
    """At run-out flow there is no head; at no drop no flow."""
    curve = curve_through(points, form)
    assert curve.head_m(curve.run_out_m3_s) == pytest.approx(0.0, abs=1e-6 * curve.shut_off_m)
    assert curve.flow_at_drop(0.0)[0] == 0.0
    assert curve.flow_at_drop(-1.0)[0] == 0.0
