"""Runs measured alone and what they mean.

Mass balance by hand: V = 500 L, fill 300 s, on 150 s, next fill 250 s give 5.1667 L/s with the mean
of the two inflows (pumping rate by drawdown, as South Dakota DENR describes it; arithmetic).
"""

from __future__ import annotations

import json

import pytest

from collector.core.diagnosis.limits import HEAVY_RUNS, HITS
from collector.core.diagnosis.one_pump import OnePump
from collector.core.diagnosis.run_flow import EndedRun, RunFlow, measured
from collector.core.engine import Engine
from collector.core.records import Finding, Input, PointChanged, Quality
from collector.core.wells.facts import Figure
from tests.unit.core.wells.paper_wells import SECOND_US, START_US, Sump, paper_plant
from tests.unit.core.wells.test_pump_runs import FREE_MAIN, diurnal, flow_l_s

DAY_US = 86_400_000_000
REFERENCE = [5.0, 5.1, 4.95, 5.05, 5.0, 4.9, 5.02, 4.98]


def a_pump(flows: list[float], ran_s: float = 150.0) -> OnePump:
    """A pump that made the reference runs, three days of them, and then these (L/s)."""
    pump = OnePump(expected_sd=0.12)
    for k, flow in enumerate([*REFERENCE, *flows]):
        at_us = round(k * 0.4 * DAY_US)
        pump.take(RunFlow("pump", flow / 1000.0, 0.01, ran_s), Figure(1.0, 0.01), at_us)
    return pump


def test_a_run_by_hand() -> None:
    """The worked example, with the doubt that the difference of the fills brings."""
    run = measured(EndedRun("pump", 0.5, 0.0, 150.0, 150.0, 0.5 / 300.0), 0.5 / 250.0)
    assert run.flow_m3_s == pytest.approx(5.1667e-3, rel=1e-4)
    half_difference_m3 = 0.5 * (0.5 / 250.0 - 0.5 / 300.0) * 150.0
    assert run.doubt > half_difference_m3 / 0.775


def test_a_run_against_rising_water() -> None:
    """A blocked pump: the well gained 100 L in 100 s while 1.5 L/s came in; it gave 0.5 L/s."""
    run = measured(EndedRun("pump", -0.1, 0.0, 100.0, 100.0, 1.5e-3), 1.5e-3)
    assert run.flow_m3_s == pytest.approx(0.5e-3)


def test_runs_as_ever_mean_nothing() -> None:
    """Also with a bath in every third run, which spoils just that run."""
    pump = a_pump([5.0, 4.3, 5.05, 4.95, 4.3, 5.0, 5.0, 4.3, 5.0])
    assert not pump.fallen


def test_six_hits_more_than_misses_mean_it_has_fallen() -> None:
    """15 % less in each run: five are not enough by themselves, six are."""
    assert not a_pump([4.25] * (HITS - 1)).fallen
    assert a_pump([4.25] * HITS).fallen


def test_two_long_runs_are_enough() -> None:
    """Of half an hour and more, in which a bath is lost; one may still be a mistake."""
    assert not a_pump([4.25], ran_s=3000.0).fallen
    assert a_pump([4.25, 4.25], ran_s=3000.0).fallen


def test_three_heavy_losses_are_enough() -> None:
    """A blocked pump gives a quarter."""
    assert not a_pump([1.25] * (HEAVY_RUNS - 1)).fallen
    assert a_pump([1.25] * HEAVY_RUNS).fallen


def test_it_is_well_again_when_its_runs_are() -> None:
    """Three runs as they were."""
    pump = a_pump([4.25] * 6 + [5.0, 5.0])
    assert not pump.well
    assert a_pump([4.25] * 6 + [5.0, 5.0, 5.0]).well
    assert not a_pump([4.25] * 6 + [5.0, 5.0, 5.0]).fallen


def test_a_pump_far_below_its_curve_from_the_first_day() -> None:
    """Expected spread 12 %: 0.7 of its curve, known to 1 %, is below; 0.85 may be the curve's."""
    for factor, below in ((0.7, True), (0.85, False)):
        pump = OnePump(expected_sd=0.12)
        pump.take(RunFlow("pump", 3.5e-3, 0.01, 150.0), Figure(factor, 0.01), 0)
        assert pump.below_curve is below


def test_it_goes_on_from_its_saved_state() -> None:
    """Through JSON text between any two runs."""
    pump = OnePump(0.12)
    for k, flow in enumerate([*REFERENCE, *[4.25] * HITS]):
        saved = json.loads(json.dumps(pump.save()))
        pump = OnePump(0.12)
        pump.restore(saved)
        pump.take(RunFlow("pump", flow / 1000.0, 0.01, 150.0), None, round(k * 0.4 * DAY_US))
    assert pump.fallen
    assert pump.loss() == pytest.approx(1.0 - 4.25 / 5.0, abs=0.01)


def slowed(*, with_speed: bool) -> set[str]:
    """Subjects of what is found when the only pump, after five days at full speed, runs for three
    at 80 %: it then gives 3.6 instead of 6.0 L/s (EPANET 2.2 User Manual, chapter 3.1).
    """
    days, slow_from_s = 8, 5 * 86_400
    plant = paper_plant(
        pumps=("pump_1",), curves={"pump_1": [(4.0, 9.0)]}, with_speed=with_speed, main=FREE_MAIN
    )
    sump = Sump(
        diurnal,
        [lambda at_s, m: flow_l_s(0.8 if at_s >= slow_from_s else 1.0, m)],
        step_s=5,
    )
    speeds: list[Input] = []
    for share, at_s in ((1.0, 0), (0.8, slow_from_s)):
        at_us = START_US + at_s * SECOND_US
        speeds.append(PointChanged("p.speed_of_pump_1", share, Quality.GOOD, "", at_us, at_us))
    story = [*speeds[:1], *sorted([*sump.run(days), *speeds[1:]], key=lambda news: news.by_us)]
    engine = Engine(plant, START_US)
    return {
        output.subject
        for news in story
        for output in engine.step(news)
        if isinstance(output, Finding) and output.standing
    }


def test_a_pump_that_is_slowed_is_not_worn() -> None:
    """With its speed read nothing is found; without, the same contacts mean a loss of flow."""
    assert not {"pump_1.low_flow", "sump.flows_fell_together"} & slowed(with_speed=True)
    assert "pump_1.low_flow" in slowed(with_speed=False)
