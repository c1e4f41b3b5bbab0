"""Which alarm each fault of the simulated plant should raise, and what may follow from it.

The faults, and how soon they can be seen, are those of ``diagnosis_cases.py``; here each finding is
an alarm. What a fault does to the plant if nobody comes may be alarmed as well, later on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatch

from collector.core.alarms.rule import Priority
from collector.core.quantities import FLOAT_ROLES
from collector.reports.alarm_performance import floods
from collector.reports.alarm_rows import Activation
from tests.simulation.alarm_runs import Annunciated, watch_alarms
from tests.simulation.diagnosis_cases import Case
from tests.simulation.diagnosis_runs import HOUR_US, Put

RULES_OF_FINDINGS: dict[str, str] = {
    "in_fault": "fault",
    "not_in_auto": "not_in_auto",
    "failed_to_start": "pump_failed_to_start",
    "failed_to_stop": "pump_failed_to_stop",
    "runs_uncalled": "pump_runs_uncalled",
    "short_cycling": "pump_short_cycling",
    "low_flow": "pump_low_flow",
    "lag_called_often": "pump_needs_help",
    "not_answering": "panel_not_answering",
    "no_voltage": "mains_failed",
    "tank_low": "dosing_tank_low",
    **{f"float_{role}_out_of_order": f"{role}_float_wrong" for role in FLOAT_ROLES},
    **{f"float_{role}_chattering": f"{role}_float_wrong" for role in FLOAT_ROLES},
    **{f"float_{role}_against_level": f"{role}_float_against_level" for role in FLOAT_ROLES},
}
"""The rule that rests on a finding, where it is not called the same."""

BY_KIND = {"in_fault": "{kind}_fault", "not_in_auto": "{kind}_not_in_auto"}
STANDS_STILL = {"blowers": "no_air", "mixer": "mixer_stands_still"}

TRUE_ANYWAY = ("*.wet_weather_inflow", "*.dosing_tank_low", "*.dosing_stock_short", "*.high_water")
"""What may come true without a fault: rain, a day tank that is used up, water at a high float."""

CONSEQUENCES = (
    "*.high_water", "*.overflow_possible", "*.room_short_*", "*.no_standby", "*.no_air",
    "*.more_run_than_needed", "*.residual_low", "*.ct_low", "*.turbidity_*",
    "*.pump_failed_to_stop", "*.pump_short_cycling", "*.pump_needs_help", "*.pump_low_flow",
    "*.no_pump_available", "*.link_unsteady", "collection.check_valve_leaks",
    "*.flows_rose_together",
)  # fmt: skip
"""What faults do to the plant if nobody comes."""

SOON_H = 0.5
"""Nobody can have acted before; what a fault brings within this belongs to its annunciation."""


@dataclass(frozen=True)
class Raised:
    """How a fault was annunciated.

    Args:
        after_h: hours to the first alarm that was expected; None if none came.
        first: it came before any other.
        highest: no other of a higher priority came within ``SOON_H`` of it.
        ended: it had cleared in time.
        floods: alarms came faster than anybody can answer.
        others: subjects annunciated that neither were expected nor follow from it.
    """

    after_h: float | None
    first: bool
    highest: bool
    ended: bool
    floods: int
    others: tuple[str, ...]

    def well(self, within_h: float) -> bool:
        """Whether it is as it should be."""
        in_time = self.after_h is not None and self.after_h <= within_h
        sound = self.first and self.highest and self.ended
        return in_time and sound and not self.floods and not self.others


def alarm_of_finding(finding: str) -> str:
    """The alarm, ``equipment.rule``, that rests on a finding of the park."""
    owner, _, name = finding.partition(".")
    if name == "stands_still":
        return f"{owner}.{STANDS_STILL[owner]}"
    if name == "runs_on":
        return f"{owner}.mixer_runs_on"
    if name in BY_KIND:
        kind = next(
            (kind for kind in ("pump", "blower", "mixer", "filter") if kind in owner), "dosing"
        )
        return f"{owner}.{BY_KIND[name].format(kind=kind)}"
    return f"{owner}.{RULES_OF_FINDINGS.get(name, name)}"


def try_alarm(case: Case, seed: int, shift_h: float = 0.0) -> Raised:
    """Put the fault in and see what is annunciated.

    Args:
        case: what.
        seed: of the plant.
        shift_h: by how much later than the case says.
    """
    begin_h = case.from_h + shift_h
    end_h = begin_h + case.for_h
    put = Put(case.fault, case.target, begin_h, end_h, case.extras)
    run = watch_alarms(seed, (end_h + case.ends_h) / 24.0 + 0.05, [put])
    expected = {alarm_of_finding(finding) for finding in case.expected}
    if "left_in_hand" in case.fault:  # it is in hand, and that is why it does not stop
        expected |= {f"{case.target}.pump_failed_to_stop"}
    return judge(run, expected, begin_h, end_h + case.ends_h)


def judge(run: Annunciated, expected: set[str], begin_h: float, cleared_h: float) -> Raised:
    """What was annunciated of a fault.

    Args:
        run: the run.
        expected: subjects of which one must be raised first.
        begin_h: when the fault began.
        cleared_h: when all of them must have cleared.
    """
    every = [(hour, one) for hour, one in run.raised() if not _early_truth(hour, one, begin_h)]
    hits = [(hour, one) for hour, one in every if one.subject in expected and hour >= begin_h]
    named = [
        (hour, one)
        for hour, one in every
        if one.subject in expected or not _any(one.subject, TRUE_ANYWAY)
    ]
    others = {
        one.subject
        for hour, one in named
        if one.subject not in expected and (hour < begin_h or not _any(one.subject, CONSEQUENCES))
    }
    if not hits:
        return Raised(None, False, False, False, 0, tuple(sorted(others)))
    first_h = hits[0][0]
    soon = [one for hour, one in named if begin_h <= hour <= first_h + SOON_H]
    highest = max(_rank(one) for one in soon)
    cleared_us = run.start_us + round(cleared_h * HOUR_US)
    ended = all(one.ended_utc_us is not None and one.ended_utc_us <= cleared_us for _, one in hits)
    times_us = [one.began_utc_us for _, one in run.raised()]
    return Raised(
        first_h - begin_h, named[0][1].subject in expected,
        any(one.subject in expected and _rank(one) is highest for one in soon), ended,
        len(floods(times_us, run.end_us)), tuple(sorted(others)),
    )  # fmt: skip


def _rank(one: Activation) -> Priority:
    return Priority[one.priority.upper()]


def _early_truth(hour: float, one: Activation, begin_h: float) -> bool:
    return hour < begin_h and _any(one.subject, TRUE_ANYWAY)


def _any(subject: str, patterns: Sequence[str]) -> bool:
    return any(fnmatch(subject, pattern) for pattern in patterns)
