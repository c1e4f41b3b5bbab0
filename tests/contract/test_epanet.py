"""Operating points and friction against the EPANET engine (``epanet_engine.py``).

The network is the one meant everywhere here: a reservoir, pumps in parallel, a pipe, a second
reservoir whose surface is the lift above the first. EPANET computes in feet with rounded constants
(g as 32.2 ft/s2 and the like), which is why it and SI formulas differ by some 0.1 %.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

from collector.core.hydraulics.curves import Point, curve_through
from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import OperatingPoint, RunningPump, operating_point
from tests.contract import epanet_engine as engine

WATER_M2_S = 1.1e-5 * 0.3048**2
"""Kinematic viscosity EPANET takes for water: 1.1e-5 ft2/s (EPANET 2.2 User Manual, chapter 7)."""
AGREEMENT = 0.005
CANNOT_DELIVER = 0
"""State of a pump in the engine (its header, ``EN_PUMP_XHEAD``)."""
LEAST_FLOW_L_S = 2e-4
SEEDS = range(12)
CASES_EACH = 60
MOST_UNSETTLED = 2
"""Of the cases of a seed. The engine looks at pump states only now and then while it iterates, and
once in some 200 stations it stops in a state its own rules forbid (see ``settled``)."""


@dataclass(frozen=True, slots=True)
class Case:
    """Pumps (points in L/s and m, speed) that lift through a main."""

    pumps: tuple[tuple[tuple[Point, ...], float], ...]
    main: Main
    lift_m: float

    def ours(self) -> OperatingPoint:
        """The operating point by our solver."""
        pumps = [
            RunningPump(curve_through([(q / 1000.0, h) for q, h in points]), speed)
            for points, speed in self.pumps
        ]
        return operating_point(pumps, self.main, self.lift_m)


@dataclass(frozen=True, slots=True)
class Solved:
    """What the engine says: L/s and m, and the pumps that cannot deliver."""

    flow_l_s: float
    flows_l_s: tuple[float, ...]
    head_m: float
    cannot: tuple[bool, ...]


@contextmanager
def network(main: Main, lift_m: float) -> Iterator[engine.Project]:
    """An engine project with two reservoirs and a main from a junction to the upper one."""
    form = engine.DW if main.hazen_williams_c is None else engine.HW
    # Anything the engine has to say about a case goes to its report, and that to nowhere.
    project = engine.Project(os.devnull, form)
    try:
        project.add_node("well", engine.RESERVOIR)
        project.add_node("upper", engine.RESERVOIR)
        project.add_node("junction", engine.JUNCTION)
        upper = project.node("upper")  # junctions are numbered first
        project.set_node(upper, engine.ELEVATION, lift_m)
        pipe = project.add_link("main", engine.PIPE, "junction", "upper")
        roughness = main.hazen_williams_c or main.roughness_m * 1000.0
        project.set_pipe(
            pipe, main.length_m, main.diameter_m * 1000.0, roughness, main.minor_loss_k
        )
        project.set_accuracy(1e-8)
        yield project
    finally:
        project.close()


def solved(case: Case) -> Solved:
    """The operating point by the engine."""
    with network(case.main, case.lift_m) as project:
        pumps = []
        for number, (points, speed) in enumerate(case.pumps):
            curve = project.add_curve(f"curve{number}", points)
            pump = project.add_link(f"pump{number}", engine.PUMP, "well", "junction")
            project.set_pump_curve(pump, curve)
            project.set_link(pump, engine.INITSETTING, speed)
            pumps.append(pump)
        project.solve()
        return Solved(
            project.link_value(1, engine.FLOW),
            tuple(project.link_value(pump, engine.FLOW) for pump in pumps),
            project.node_value(project.node("junction"), engine.HEAD),
            tuple(project.link_value(pump, engine.PUMP_STATE) == CANNOT_DELIVER for pump in pumps),
        )


def shut_off_m(points: Sequence[Point], speed: float) -> float:
    """Shut-off head of a curve by the EPANET 2.2 User Manual, chapter 3.1."""
    return points[0][1] * (4.0 / 3.0 if len(points) == 1 else 1.0) * speed**2


def settled(case: Case, theirs: Solved) -> bool:
    """Whether the engine's answer obeys its own rules: no pump runs backwards, and none that could
    deliver stands still.
    """
    backwards = any(flow < -LEAST_FLOW_L_S for flow in theirs.flows_l_s)
    idle = any(
        cannot and shut_off_m(points, speed) > theirs.head_m + 0.01
        for (points, speed), cannot in zip(case.pumps, theirs.cannot, strict=True)
    )
    return not backwards and not idle


def some_curve(rng: random.Random) -> tuple[Point, ...]:
    """One, three or two to seven points of a falling curve."""
    most_m, run_out_l_s = rng.uniform(3.0, 40.0), 10.0 ** rng.uniform(-0.3, 1.7)
    bend = rng.uniform(1.1, 3.0)

    def head(flow: float) -> float:
        return float(most_m * (1.0 - 0.95 * (flow / run_out_l_s) ** bend))

    count = rng.choice((1, 3, 3, 2, 4, 5, 7))
    if count == 1:
        flow = run_out_l_s * rng.uniform(0.4, 0.7)
        return ((flow, head(flow)),)
    inner = sorted(rng.uniform(0.08, 0.9) for _ in range(count - 2))
    shares = [0.0, *inner, 1.0]
    # Readings too close together would only test how either program divides small differences.
    shares = [s for k, s in enumerate(shares) if k == 0 or s - shares[k - 1] > 0.05]
    return tuple((share * run_out_l_s, head(share * run_out_l_s)) for share in shares)


def some_case(rng: random.Random) -> Case:
    """A random station; in about one of six some pump cannot deliver."""
    count = rng.choice((1, 1, 1, 2, 2, 3, 4))
    first = some_curve(rng)
    curves = [first if rng.random() < 0.5 else some_curve(rng) for _ in range(count - 1)]
    pumps = tuple(
        (curve, 1.0 if rng.random() < 0.6 else rng.uniform(0.5, 1.1)) for curve in (first, *curves)
    )
    top_m = max(shut_off_m(curve, speed) for curve, speed in pumps)
    diameter_m = rng.choice((0.032, 0.04, 0.05, 0.065, 0.08, 0.1, 0.15))
    by_hazen_williams = rng.random() < 0.5
    main = Main(
        discharge_height_m=0.0,
        length_m=10.0 ** rng.uniform(0.5, 3.3),
        diameter_m=diameter_m,
        hazen_williams_c=rng.uniform(80.0, 150.0) if by_hazen_williams else None,
        roughness_m=0.0 if by_hazen_williams else rng.choice((1e-9, 1.5e-6, 1e-4, 5e-4, 1e-3)),
        minor_loss_k=rng.choice((0.0, rng.uniform(0.0, 30.0))),
        viscosity_m2_s=WATER_M2_S,
    )
    return Case(pumps, main, rng.uniform(-0.1, 1.08) * top_m)


def assert_agreement(case: Case, theirs: Solved) -> None:
    """Our answer is the engine's."""
    ours = case.ours()
    flow_l_s = ours.flow_m3_s * 1000.0
    near = max(AGREEMENT * theirs.flow_l_s, LEAST_FLOW_L_S)
    assert flow_l_s == pytest.approx(theirs.flow_l_s, abs=near), case
    for own, other, cannot in zip(ours.flows_m3_s, theirs.flows_l_s, theirs.cannot, strict=True):
        assert own * 1000.0 == pytest.approx(other, abs=near), case
        # Both shut it; or the engine does so half a thousandth of a foot before its shut-off head.
        assert cannot if own == 0.0 else not cannot or own * 1000.0 < near, case
    if flow_l_s > 0.0:
        assert ours.head_m == pytest.approx(theirs.head_m, rel=AGREEMENT, abs=0.005), case


@pytest.mark.parametrize("seed", SEEDS)
def test_random_stations_agree_with_the_engine(seed: int) -> None:
    """Pumps of 1, 2, 3 and more points, alike and unequal, at full and other speeds, through mains
    by either formula: total flow, each pump's flow and the head agree with EPANET within 0.5 %, and
    so does which pump cannot deliver.
    """
    rng = random.Random(seed)
    answers = [(case, solved(case)) for case in (some_case(rng) for _ in range(CASES_EACH))]
    usable = [(case, theirs) for case, theirs in answers if settled(case, theirs)]
    assert len(usable) >= CASES_EACH - MOST_UNSETTLED
    for case, theirs in usable:
        assert_agreement(case, theirs)
    cannot = [any(theirs.cannot) for _, theirs in usable]
    assert any(cannot)
    assert not all(cannot)


def test_there_are_enough_cases() -> None:
    """At least 500 random stations are solved."""
    assert len(SEEDS) * (CASES_EACH - MOST_UNSETTLED) >= 500


@pytest.mark.parametrize(
    ("pumps", "flow_l_s", "head_m"), [(1, 5.6015, 6.6650), (2, 8.4988, 8.6732)]
)
def test_known_operating_points(pumps: int, flow_l_s: float, head_m: float) -> None:
    """The pump (0, 12), (4, 9), (6, 6) L/s, m lifting 5 m through 60 m of 80 mm main with
    Hazen-Williams 130 and K = 8: alone 5.6015 L/s at 6.6650 m, two in parallel 8.4988 at 8.6732.

    Source: runs of the EPANET 2.2 engine, repeated here.
    """
    main = Main(0.0, 60.0, 0.080, hazen_williams_c=130.0, minor_loss_k=8.0)
    case = Case(((((0.0, 12.0), (4.0, 9.0), (6.0, 6.0)), 1.0),) * pumps, main, 5.0)
    theirs, ours = solved(case), case.ours()
    assert theirs.flow_l_s == pytest.approx(flow_l_s, rel=1e-4)
    assert theirs.head_m == pytest.approx(head_m, rel=1e-4)
    assert ours.flow_m3_s * 1000.0 == pytest.approx(flow_l_s, rel=3e-4)
    assert ours.head_m == pytest.approx(head_m, rel=3e-4)


@pytest.mark.parametrize("seed", range(20))
def test_a_curve_that_begins_above_zero_flow_is_straight_segments(seed: int) -> None:
    """Three points of which none is at zero flow make segments, as in EPANET, while the pump works
    below its first point's head.
    """
    rng = random.Random(seed)
    q, h = rng.uniform(1.0, 4.0), rng.uniform(8.0, 15.0)
    points = ((q, h), (2.0 * q, 0.8 * h), (3.0 * q, rng.uniform(0.2, 0.5) * h))
    main = Main(0.0, rng.uniform(10.0, 60.0), 0.1, hazen_williams_c=130.0, minor_loss_k=5.0)
    case = Case(((points, rng.uniform(0.9, 1.0)),), main, rng.uniform(0.2, 0.6) * h)
    theirs = solved(case)
    assert_agreement(case, theirs)
    assert not any(theirs.cannot)


@pytest.mark.parametrize("seed", range(8))
def test_loss_of_a_pipe_agrees_from_laminar_to_rough(seed: int) -> None:
    """Through a pipe between two reservoirs the engine sends the flow at which our loss is their
    difference, within 0.5 %: Reynolds numbers from 300 to 1e6, the range between laminar and
    turbulent flow included.
    """
    rng = random.Random(seed)
    for k in range(30):
        diameter_m = rng.uniform(0.03, 0.2)
        reynolds = 10.0 ** rng.uniform(2.5, 6.0) if k % 2 else rng.uniform(1900.0, 4200.0)
        main = Main(
            discharge_height_m=0.0,
            length_m=rng.uniform(20.0, 500.0),
            diameter_m=diameter_m,
            roughness_m=rng.uniform(0.0, 0.01) * diameter_m,
            minor_loss_k=rng.choice((0.0, 5.0)),
            viscosity_m2_s=WATER_M2_S,
        )
        wanted_m = main.loss_m(reynolds / main.reynolds(1.0))
        with network(main, -wanted_m) as project:
            # The junction hangs on the lower reservoir by a pipe that loses next to nothing.
            link = project.add_link("wide", engine.PIPE, "well", "junction")
            project.set_pipe(link, 1e-3, 5000.0, 0.001, 0.0)
            project.solve()
            flow_m3_s = project.link_value(link, engine.FLOW) / 1000.0
        assert main.loss_m(flow_m3_s) == pytest.approx(wanted_m, rel=AGREEMENT)
