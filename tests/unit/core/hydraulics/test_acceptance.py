"""From acceptance grades to the uncertainty of a flow."""

from __future__ import annotations

import math

import pytest
from hypothesis import given

from collector.core.hydraulics.acceptance import (
    GRADES,
    SMALL_DRIVE,
    Tolerance,
    curve_uncertainty,
    flow_uncertainty,
)
from collector.core.hydraulics.curves import curve_through
from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import RunningPump, operating_point
from tests.unit.core.hydraulics.stations_for_tests import pumps, top_m

CURVE = curve_through([(0.0, 12.0), (0.004, 9.0), (0.006, 6.0)])
FLAT = curve_through([(0.0, 12.0), (0.004, 11.8), (0.006, 11.5)])
MAIN = Main(5.0, 60.0, 0.080, hazen_williams_c=130.0, minor_loss_k=8.0)


def test_the_grades_have_their_figures() -> None:
    """Flow and head: 1B 5 and 3 %, 2B 8 and 5 %, 3B 9 and 7 %, drives up to 10 kW 10 and 8 %.

    Source: ISO 9906:2012, table 8 and clause 4.4.2, from memory.
    """
    figures = {name: (grade.flow, grade.head) for name, grade in GRADES.items()}
    assert figures == {"1B": (0.05, 0.03), "2B": (0.08, 0.05), "3B": (0.09, 0.07)}
    assert Tolerance(0.10, 0.08) == SMALL_DRIVE


def test_on_a_steep_curve_the_flow_tolerance_counts() -> None:
    """At 9 m the curve falls by 1.282 m per L/s: 5 % of 9 m is 0.351 L/s, 8.8 % of 4 L/s, so the
    head tolerance of grade 2B is the wider; at 6 m and 1.710 m per L/s it is 0.175 L/s, 2.9 %, and
    the flow tolerance is. Divided by the square root of 3 for a rectangular distribution.

    Source: JCGM 100:2008, 4.3.7; slopes by hand, ``B C Q^(C-1)``.
    """
    pump = RunningPump(CURVE)
    slope = 0.28047419 * 1.70951129 * 4.0**0.70951129
    assert slope == pytest.approx(1.282, abs=5e-4)
    by_head = 0.05 * 9.0 / slope / 4.0
    at_nine = curve_uncertainty(pump, 9.0, GRADES["2B"])
    assert at_nine == pytest.approx(by_head / math.sqrt(3.0), rel=1e-6)
    at_six = curve_uncertainty(pump, 6.0, GRADES["2B"])
    assert at_six == pytest.approx(0.08 / math.sqrt(3.0), rel=1e-9)


def test_on_a_flat_curve_the_head_tolerance_counts() -> None:
    """Where the curve is flat, a few per cent of head are a great share of the flow, at most all
    of it.
    """
    pump = RunningPump(FLAT)
    assert curve_uncertainty(pump, 11.8, GRADES["1B"]) > 0.4
    assert curve_uncertainty(pump, 11.99, GRADES["1B"]) == 1.0
    assert curve_uncertainty(pump, 12.0, GRADES["1B"]) == 1.0
    assert curve_uncertainty(RunningPump(CURVE, 0.0), 5.0, GRADES["1B"]) == 1.0


def test_speed_and_wear_leave_the_share_as_it_is() -> None:
    """At the corresponding head a slower or worn pump has the same relative uncertainty."""
    full = curve_uncertainty(RunningPump(CURVE), 8.0, SMALL_DRIVE)
    other = curve_uncertainty(RunningPump(CURVE, 0.7, 0.8), 8.0 * 0.49, SMALL_DRIVE)
    assert other == pytest.approx(full, rel=1e-9)


def test_the_main_takes_part_of_the_curve_s_uncertainty() -> None:
    """What a better or worse pump changes is partly taken back by friction: the flow's relative
    uncertainty is below the curve's, and without loss equal to it.
    """
    running = [RunningPump(CURVE)]
    for main, lift_m in ((MAIN, 5.0), (Main(5.0, 1e-9, 0.2, hazen_williams_c=150.0), 6.0)):
        point = operating_point(running, main, lift_m)
        of_curve = curve_uncertainty(running[0], point.head_m, GRADES["3B"])
        of_flow = flow_uncertainty(running, point, [GRADES["3B"]]) / point.flow_m3_s
        if main is MAIN:
            assert 0.5 * of_curve < of_flow < of_curve
        else:
            assert of_flow == pytest.approx(of_curve, rel=1e-6)


def test_two_like_pumps_are_known_better_than_one() -> None:
    """Independent deviations of two like pumps add by squares: without loss, the relative
    uncertainty of their sum is that of one over the square root of 2.
    """
    main = Main(5.0, 1e-9, 0.2, hazen_williams_c=150.0)
    relative = []
    for count in (1, 2):
        running = [RunningPump(CURVE)] * count
        point = operating_point(running, main, 6.0)
        relative.append(flow_uncertainty(running, point, [SMALL_DRIVE] * count) / point.flow_m3_s)
    assert relative[1] == pytest.approx(relative[0] / math.sqrt(2.0), rel=1e-6)


@given(pumps())
def test_a_wider_grade_is_never_more_certain(running: list[RunningPump]) -> None:
    """From 1B to small drives the uncertainty of the flow does not fall."""
    point = operating_point(running, MAIN, 0.5 * top_m(running))
    grades = (*GRADES.values(), SMALL_DRIVE)
    shares = [flow_uncertainty(running, point, [grade] * len(running)) for grade in grades]
    assert shares == sorted(shares)
