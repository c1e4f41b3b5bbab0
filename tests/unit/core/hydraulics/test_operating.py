"""Where pumps and main meet: what must hold for any station, and a published operating point.

Agreement with the EPANET engine on random stations is in ``tests/contract/test_epanet.py``.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.hydraulics.curves import PowerCurve, PumpCurve, curve_through
from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import OperatingPoint, RunningPump, operating_point
from tests.unit.core.hydraulics.stations_for_tests import mains, pumps, top_m

CURVE = curve_through([(0.0, 12.0), (0.004, 9.0), (0.006, 6.0)])
MAIN = Main(5.0, 60.0, 0.080, hazen_williams_c=130.0, minor_loss_k=8.0)
WITHOUT_LOSS = Main(5.0, 1e-9, 0.2, hazen_williams_c=150.0)
SHARE = st.floats(-0.3, 1.2)


def flow(running: list[RunningPump], main: Main, lift_m: float) -> float:
    """Total flow."""
    return operating_point(running, main, lift_m).flow_m3_s


@pytest.mark.parametrize(
    ("count", "flow_l_s", "head_m"), [(1, 5.6015, 6.6650), (2, 8.4988, 8.6732)]
)
def test_published_operating_points(count: int, flow_l_s: float, head_m: float) -> None:
    """(0, 12), (4, 9), (6, 6) L/s, m lifting 5 m through 60 m of 80 mm (C = 130, K = 8): one pump
    5.6015 L/s at 6.6650 m, two 8.4988 L/s at 8.6732 m, within 0.5 %.

    Source: runs of the EPANET 2.2 engine.
    """
    point = operating_point([RunningPump(CURVE)] * count, MAIN, 5.0)
    assert point.flow_m3_s * 1000.0 == pytest.approx(flow_l_s, rel=0.005)
    assert point.head_m == pytest.approx(head_m, rel=0.005)
    assert sum(point.flows_m3_s) == pytest.approx(point.flow_m3_s)


@given(pumps(), mains(), SHARE)
def test_pumps_and_main_meet(running: list[RunningPump], main: Main, share: float) -> None:
    """At the point found each pump that gives stands on its own curve, the others' shut-off head is
    not above the head, and the main asks for that head.
    """
    lift_m = share * top_m(running)
    point = operating_point(running, main, lift_m)
    if point.flow_m3_s == 0.0:
        assert top_m(running) <= lift_m
        assert point.head_m == top_m(running)
        return
    scale = top_m(running) - lift_m
    assert point.head_m == pytest.approx(
        lift_m + main.loss_m(point.flow_m3_s), abs=1e-8 * scale + 1e-9 * top_m(running)
    )
    for pump, own in zip(running, point.flows_m3_s, strict=True):
        if own > 0.0:
            at_full = pump.curve.head_m(own / (pump.speed * pump.wear))
            assert pump.speed**2 * at_full == pytest.approx(point.head_m, abs=1e-7 * top_m(running))
        else:
            assert pump.speed**2 * pump.curve.shut_off_m <= point.head_m * (1 + 1e-12)


@given(pumps(), mains(), st.floats(-0.3, 1.0), st.floats(0.0, 0.3))
def test_more_lift_never_gives_more_flow(
    running: list[RunningPump], main: Main, share: float, more: float
) -> None:
    """A higher lift gives less flow, or none."""
    lift_m = share * top_m(running)
    higher = flow(running, main, lift_m + more * top_m(running))
    assert higher <= flow(running, main, lift_m) * (1 + 1e-9)


@given(pumps(most=1), mains(), st.floats(-0.3, 0.98))
def test_two_pumps_never_give_twice_one(
    running: list[RunningPump], main: Main, share: float
) -> None:
    """Two like pumps in one main give more than one, and less than twice it.

    A curve that falls like a wall (the exponent 18) gives one flow whatever the head, and then two
    pumps give the same or twice it to within what the flow is solved to.
    """
    lift_m = share * top_m(running)
    one, two = flow(running, main, lift_m), flow(running * 2, main, lift_m)
    assert one <= two * (1 + 1e-6)
    assert two <= 2.0 * one * (1 + 1e-9)
    curve = running[0].curve
    if main.loss_m(one) > 1e-3 and not (isinstance(curve, PowerCurve) and curve.exponent > 10.0):
        assert two < 2.0 * one


def test_without_loss_two_pumps_give_twice_one() -> None:
    """Only a main that loses nothing lets two pumps give twice one."""
    one = flow([RunningPump(CURVE)], WITHOUT_LOSS, 5.0)
    assert flow([RunningPump(CURVE)] * 2, WITHOUT_LOSS, 5.0) == pytest.approx(2.0 * one, rel=1e-6)


@given(pumps(), mains(), SHARE, pumps(most=1))
def test_another_pump_never_takes_from_the_total(
    running: list[RunningPump], main: Main, share: float, another: list[RunningPump]
) -> None:
    """A further pump adds flow or nothing, and takes none of the others above what they gave."""
    lift_m = share * top_m(running)
    before = operating_point(running, main, lift_m)
    after = operating_point([*running, *another], main, lift_m)
    assert after.flow_m3_s >= before.flow_m3_s * (1 - 1e-9)
    for own, then in zip(before.flows_m3_s, after.flows_m3_s, strict=False):
        assert then <= own * (1 + 1e-6) + 1e-9 * before.flow_m3_s


@given(pumps(), mains(), SHARE, st.randoms())
def test_the_order_of_pumps_changes_nothing(
    running: list[RunningPump], main: Main, share: float, rng: random.Random
) -> None:
    """Each pump gives the same whatever place it has in the list."""
    lift_m = share * top_m(running)
    order = list(range(len(running)))
    rng.shuffle(order)
    first = operating_point(running, main, lift_m)
    second = operating_point([running[k] for k in order], main, lift_m)
    assert second.flow_m3_s == pytest.approx(first.flow_m3_s, rel=1e-7)
    for place, k in enumerate(order):
        assert second.flows_m3_s[place] == pytest.approx(
            first.flows_m3_s[k], rel=1e-6, abs=1e-6 * first.flow_m3_s
        )


@given(st.floats(0.5, 1.2), st.floats(0.0, 11.0))
def test_speed_follows_the_affinity_laws(speed: float, lift_m: float) -> None:
    """Without loss, flow goes with the speed and head with its square.

    Source: affinity laws, EPANET 2.2 User Manual, chapter 3.1.
    """
    full = flow([RunningPump(CURVE)], WITHOUT_LOSS, lift_m)
    slower = flow([RunningPump(CURVE, speed)], WITHOUT_LOSS, lift_m * speed**2)
    assert slower == pytest.approx(speed * full, rel=1e-6)


@given(pumps(), mains(), st.floats(0.05, 0.95))
def test_a_faster_pump_never_gives_less(
    running: list[RunningPump], main: Main, share: float
) -> None:
    """Raising all speeds raises the flow."""
    lift_m = share * top_m(running)
    faster = [replace(pump, speed=1.05 * pump.speed) for pump in running]
    assert flow(faster, main, lift_m) > flow(running, main, lift_m)


@given(st.floats(0.05, 1.2), st.floats(0.0, 11.5))
def test_wear_is_a_share_of_flow_at_equal_head(wear: float, lift_m: float) -> None:
    """Without loss a pump worn to a share gives that share of the flow."""
    new = flow([RunningPump(CURVE)], WITHOUT_LOSS, lift_m)
    worn = flow([RunningPump(CURVE, 1.0, wear)], WITHOUT_LOSS, lift_m)
    assert worn == pytest.approx(wear * new, rel=1e-6)


def quotients(
    running: list[RunningPump], main: Main, lift_m: float, width: float
) -> tuple[list[float], list[list[float]]]:
    """Difference quotients of all flows: by level, and by each pump's wear."""

    def difference(plus: OperatingPoint, minus: OperatingPoint) -> list[float]:
        pairs = zip(plus.flows_m3_s, minus.flows_m3_s, strict=True)
        return [(a - b) / (2.0 * width) for a, b in pairs]

    by_level = difference(
        operating_point(running, main, lift_m - width),
        operating_point(running, main, lift_m + width),
    )
    by_wear = []
    for k, pump in enumerate(running):
        more, less = list(running), list(running)
        more[k] = replace(pump, wear=pump.wear + width)
        less[k] = replace(pump, wear=pump.wear - width)
        by_wear.append(
            difference(operating_point(more, main, lift_m), operating_point(less, main, lift_m))
        )
    return by_level, by_wear


def test_growths_are_the_difference_quotients() -> None:
    """Growth of total and own flows with level and wear equals what small changes give, for alike
    and unequal pumps, segments and a pump that cannot reach the head among them.
    """
    weak = curve_through([(0.003, 4.0)])
    bent = curve_through([(0.0, 11.0), (0.002, 10.2), (0.004, 8.8), (0.007, 4.0)])
    smooth = curve_through([(0.0, 11.0), (0.002, 10.2), (0.004, 8.8), (0.007, 4.0)], "smooth")
    by_roughness = Main(5.0, 150.0, 0.065, roughness_m=2e-4, minor_loss_k=12.0)
    stations: list[tuple[list[RunningPump], Main]] = [
        ([RunningPump(CURVE)], MAIN),
        ([RunningPump(CURVE), RunningPump(CURVE, 1.0, 0.8)], MAIN),
        ([RunningPump(CURVE, 0.9), RunningPump(bent, 1.0, 0.95), RunningPump(weak)], by_roughness),
        ([RunningPump(smooth), RunningPump(CURVE, 1.0, 0.7)], by_roughness),
    ]
    for running, main in stations:
        point = operating_point(running, main, 4.3)
        by_level, by_wear = quotients(running, main, 4.3, 1e-5)
        assert point.flows_per_level_m2_s == pytest.approx(by_level, rel=1e-5, abs=1e-12)
        assert point.flow_per_level_m2_s == pytest.approx(sum(by_level), rel=1e-5)
        for k, column in enumerate(by_wear):
            assert [row[k] for row in point.flows_per_wear_m3_s] == pytest.approx(
                column, rel=1e-5, abs=1e-10
            )
            assert point.flow_per_wear_m3_s[k] == pytest.approx(sum(column), rel=1e-5, abs=1e-10)


@given(pumps(), mains(), SHARE)
def test_growths_have_their_signs(running: list[RunningPump], main: Main, share: float) -> None:
    """More level or a better pump never gives less in total; a better pump never helps another."""
    point = operating_point(running, main, share * top_m(running))
    assert point.flow_per_level_m2_s >= 0.0
    for i, row in enumerate(point.flows_per_wear_m3_s):
        assert point.flow_per_wear_m3_s[i] >= 0.0
        assert all(growth <= 0.0 for j, growth in enumerate(row) if j != i)


def test_a_pump_that_cannot_reach_the_head_gives_nothing() -> None:
    """A weak pump beside a strong one is shut by its check valve, and changes nothing."""
    weak = curve_through([(0.003, 3.0)])
    alone = operating_point([RunningPump(CURVE)], MAIN, 5.0)
    both = operating_point([RunningPump(CURVE), RunningPump(weak)], MAIN, 5.0)
    assert both.flows_m3_s[1] == 0.0
    assert both.flow_m3_s == pytest.approx(alone.flow_m3_s, rel=1e-9)


@pytest.mark.parametrize(
    "running",
    [[], [RunningPump(CURVE, 0.0)], [RunningPump(CURVE, 1.0, 0.0)], [RunningPump(CURVE, 0.6)]],
)
def test_no_flow_without_a_pump_that_can_lift(running: list[RunningPump]) -> None:
    """No pump, one that stands, one worn to nothing, one too slow for the lift: no flow."""
    point = operating_point(running, MAIN, 5.0)
    assert point.flow_m3_s == 0.0
    assert set(point.flows_m3_s) <= {0.0}
    assert set(point.flow_per_wear_m3_s) <= {0.0}


def test_a_worn_out_pump_beside_a_good_one_still_has_a_growth() -> None:
    """An estimator that has come to wear 0 is told that more wear factor would mean more flow."""
    point = operating_point([RunningPump(CURVE), RunningPump(CURVE, 1.0, 0.0)], MAIN, 5.0)
    assert point.flows_m3_s[1] == 0.0
    assert point.flow_per_wear_m3_s[1] > 0.0


class CountedCurve:
    """A curve that counts how often it is asked."""

    def __init__(self, curve: PumpCurve) -> None:
        self.curve, self.asked = curve, 0
        self.shut_off_m, self.run_out_m3_s = curve.shut_off_m, curve.run_out_m3_s

    def head_m(self, flow_m3_s: float) -> float:
        """Pass on."""
        return self.curve.head_m(flow_m3_s)

    def flow_at_drop(self, drop_m: float) -> tuple[float, float]:
        """Count and pass on."""
        self.asked += 1
        return self.curve.flow_at_drop(drop_m)


@given(pumps(most=1), mains(), SHARE)
def test_the_solver_ends_soon(running: list[RunningPump], main: Main, share: float) -> None:
    """No station takes more than 60 looks at the curve, however its main and lift are."""
    counted = CountedCurve(running[0].curve)
    operating_point([replace(running[0], curve=counted)], main, share * top_m(running))
    assert counted.asked <= 60
