"""The shipped alarm rules on the simulated park: quiet where nothing is wrong, right where it is.

Targets: ISA-18.2 table 7 and its notion of a flood, as quoted in ``alarm_performance.py``. Longer
runs: ``WEIRKEEPER_TEST_DAYS=30`` for the healthy month, ``python -m tests.bench.alarm_errors`` for
every fault on several plants.
"""

from __future__ import annotations

import os

import pytest

from tests.simulation.alarm_cases import (
    RULES_OF_FINDINGS,
    TRUE_ANYWAY,
    alarm_of_finding,
    judge,
    try_alarm,
)
from tests.simulation.alarm_runs import shipped, watch_alarms
from tests.simulation.diagnosis_cases import QUICK_CASES, SLOW_CASES, Case
from tests.simulation.diagnosis_runs import Put

HEALTHY_DAYS = float(os.environ.get("WEIRKEEPER_TEST_DAYS", "7"))
NAMES: dict[str, Case] = {case.name: case for case in QUICK_CASES}
TRIED = [
    ("float_stuck collection.start_1 open", 31),
    ("float_inverted meadow_sump.high", 32),
    ("fails_to_start meadow_pump_1", 33),
    ("left_in_hand collection_pump_2", 34),
    ("panel_frozen works", 35),
    ("mains_failed works", 36),
    ("filter_cleaning_endless filter", 37),
    ("tripped mixer", 38),
]


def test_a_healthy_time_stays_within_the_targets() -> None:
    """No figure of the standard's table misses its target, and what was annunciated is true without
    a fault: rain, or a day tank that is used up."""
    run = watch_alarms(21, HEALTHY_DAYS)
    performance = run.performance()
    assert [each.name for each in performance.figures if each.met is False] == []
    rules = {pattern.removeprefix("*.") for pattern in TRUE_ANYWAY}
    assert {one.rule for _, one in run.raised()} <= rules


@pytest.mark.parametrize(("name", "seed"), TRIED)
def test_a_fault_raises_its_alarm_first_and_highest_without_a_flood(name: str, seed: int) -> None:
    """The right alarm within the stated time and before any other, none graver beside it, cleared
    when the fault has ended."""
    case = NAMES[name]
    outcome = try_alarm(case, seed, shift_h=seed % 4)
    assert outcome.well(case.within_h), outcome


def test_every_fault_has_its_alarm() -> None:
    """What is expected of a fault is a rule in force for that very equipment."""
    subjects = {rule.subject for rule in shipped().alarms}
    for case in (*QUICK_CASES, *SLOW_CASES):
        assert {alarm_of_finding(finding) for finding in case.expected} & subjects, case.name
    assert set(RULES_OF_FINDINGS.values()) - {"fault", "not_in_auto"} <= {
        subject.rpartition(".")[2] for subject in subjects
    }


def test_a_failure_of_the_mains_is_one_alarm_and_what_hangs_on_it_is_suppressed() -> None:
    """The works without voltage for two hours: the mains alarm alone, though the panel goes silent
    when its battery is empty; the silence is on record, suppressed by design."""
    run = watch_alarms(41, 0.7, [Put("mains_failed", "works", 9.0, 11.0)])
    told = [one.subject for hour, one in run.raised() if 9.0 <= hour <= 11.5]
    assert told == ["works_mains.mains_failed"]
    silent = [one for one in run.history.activations if one.rule == "panel_not_answering"]
    assert [one.covered for one in silent] == [True]


def test_all_pumps_of_a_well_out_is_told_as_such_and_gravest() -> None:
    """Each overload is told, then that no pump is left."""
    faults = [
        Put("tripped", "collection_pump_1", 8.0, 9.0),
        Put("tripped", "collection_pump_2", 8.5, 9.0),
    ]
    run = watch_alarms(42, 0.5, faults)
    told = [(one.subject, one.priority) for hour, one in run.raised() if 8.0 <= hour < 8.8]
    assert told == [
        ("collection_pump_1.pump_fault", "medium"),
        ("collection_pump_2.pump_fault", "medium"),
        ("collection.no_pump_available", "high"),
    ]
    expected = {"collection_pump_1.pump_fault", "collection_pump_2.pump_fault"}
    assert judge(run, expected, 8.0, 10.0).floods == 0


def test_an_empty_hypochlorite_tank_is_followed_by_the_residual() -> None:
    """The tank first; hours later, when the contact tank has been flushed, the water."""
    run = watch_alarms(43, 0.8, [Put("dosing_tank_empty", "hypochlorite", 6.0, 16.0)])
    told = [one.subject for hour, one in run.raised() if 6.0 <= hour <= 17.0]
    assert told[0] == "hypochlorite.dosing_tank_low"
    assert "contact_tank.residual_low" in told
    assert "contact_tank.ct_low" not in told, "suppressed while the residual says so already"
