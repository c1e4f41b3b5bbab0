"""Which finding each fault of the simulated plant should bring, how soon, and what else may follow.

Hours count from the moment at which the fault can first be seen; ``wait_h`` is from the fault to
that moment at the latest (a float that is stuck open shows when the water reaches it). ``also`` are
findings that are true as well: what the fault does to the plant, not other names for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatch

from collector.core.records import Record
from tests.simulation.diagnosis_runs import DAY_US, HOUR_US, START_US, Put, Seen, watch


@dataclass(frozen=True)
class Case:
    """One fault.

    Args:
        fault, target, extras: as the simulator takes them.
        expected: subjects of which one must be raised first.
        within_h: hours after the fault.
        also: patterns of what else may be raised.
        from_h, for_h: when it begins, and how long it lasts.
        ends_h: hours after its end at which the finding must have ceased.
    """

    fault: str
    target: str
    extras: tuple[str, ...]
    expected: tuple[str, ...]
    within_h: float
    also: tuple[str, ...] = ()
    from_h: float = 8.0
    for_h: float = 10.0
    ends_h: float = 14.0

    @property
    def name(self) -> str:
        """For people."""
        return " ".join((self.fault, self.target, *self.extras))


@dataclass(frozen=True)
class Outcome:
    """How a case ended.

    Args:
        after_h: hours from the fault to the first finding that was expected; None if none came.
        first: it came before any other.
        ended: it had ceased in time.
        others: subjects raised that are neither expected nor follow from it.
        also: those that follow from it.
    """

    after_h: float | None
    first: bool
    ended: bool
    others: tuple[str, ...]
    also: tuple[str, ...]

    def well(self, case: Case) -> bool:
        """Whether it is as it should be."""
        in_time = self.after_h is not None and self.after_h <= case.within_h
        return in_time and self.first and self.ended and not self.others


TRUE_ANYWAY = ("*.wet_weather_inflow", "*.tank_low", "*.high_water")
"""What may come true without a fault: rain, a day tank that is used up, water at a high float."""


def try_case(case: Case, seed: int, shift_h: float = 0.0) -> Outcome:
    """Put the fault in and see what is found.

    Args:
        case: what.
        seed: of the plant.
        shift_h: by how much later than the case says.
    """
    begin_h = case.from_h + shift_h
    end_h = begin_h + case.for_h
    put = Put(case.fault, case.target, begin_h, end_h, case.extras)
    seen = watch(seed, (end_h + case.ends_h) / 24.0 + 0.05, [put])
    return judge(case, seen, begin_h, end_h)


def judge(case: Case, seen: Seen, begin_h: float, end_h: float) -> Outcome:
    """What became of a fault that was there from ``begin_h`` to ``end_h``."""
    raised = [(hour, subject) for hour, subject in seen.raised() if hour >= begin_h]
    early = [subject for hour, subject in seen.raised() if hour < begin_h]
    hits = [hour for hour, subject in raised if subject in case.expected]
    named = [
        (hour, subject)
        for hour, subject in raised
        if subject in case.expected or not _any(subject, (*TRUE_ANYWAY, *case.also))
    ]
    after_h = hits[0] - begin_h if hits else None
    first = bool(named) and named[0][1] in case.expected
    others = {subject for _, subject in named if subject not in case.expected}
    others |= {subject for subject in early if not _any(subject, TRUE_ANYWAY)}
    also = {subject for _, subject in raised if _any(subject, case.also)}
    ended = not any(
        _stands_at(seen.findings, subject, end_h + case.ends_h) for subject in case.expected
    )
    return Outcome(after_h, first, ended, tuple(sorted(others)), tuple(sorted(also)))


def _stands_at(findings: Sequence[Record], subject: str, hour: float) -> bool:
    at_us = START_US + round(hour * HOUR_US)
    told = [record for record in findings if record.subject == subject and record.at_us <= at_us]
    return bool(told) and told[-1].value is not None


def _any(subject: str, patterns: Sequence[str]) -> bool:
    return any(fnmatch(subject, pattern) for pattern in patterns)


def rain_before_mm(seen: Seen, at_us: int, days: float = 7.0) -> float:
    """Rain in the days before an instant."""
    assert seen.truth is not None
    since_us = at_us - round(days * DAY_US)
    return sum(mm for hour_us, mm in seen.truth.rain_hours if since_us < hour_us <= at_us)


# --- the table ----------------------------------------------------------------------------------


def _floats() -> list[Case]:
    cases = []
    wells = {
        "collection": ("low", "start_1", "start_2", "high"),
        "equalization": ("low", "start_1", "start_2", "high"),
        "meadow_sump": ("start_1", "start_2", "high"),
    }
    for well, roles in wells.items():
        for role in roles:
            target = f"{well}.{role}"
            wrong = (
                f"{well}.float_{role}_out_of_order",
                f"{well}.float_{role}_against_level",
                f"{well}.not_emptied",  # says: the stop float, or a pump that moves no water
            )
            bouncing = (f"{well}.float_{role}_chattering",)
            cases.append(Case("float_chattering", target, (), bouncing, 0.1, ends_h=3.0))
            cases.append(Case("float_inverted", target, (), wrong, 8.0))
            cases.append(Case("float_stuck", target, ("made",), wrong, 12.0, for_h=14.0))
            if role in ("low", "start_1"):  # the others hang anyway, until a storm
                cases.append(Case("float_stuck", target, ("open",), wrong, 12.0, for_h=14.0))
    return cases


def _motors() -> list[Case]:
    cases = []
    for pump in ("collection_pump_2", "feed_pump_1", "meadow_pump_1"):
        long = 30.0 if pump.startswith("feed") else 10.0
        fault, hand = (f"{pump}.in_fault",), (f"{pump}.not_in_auto",)
        cases += [
            Case("tripped", pump, (), fault, 0.1),
            Case("fails_to_start", pump, (), (f"{pump}.failed_to_start",), long - 1.0, for_h=long,
                 ends_h=30.0),
            Case("left_in_hand", pump, (), hand, 0.1, (f"{pump}.failed_to_stop",)),
            Case("switched_off", pump, (), hand, 0.1),
            Case("contactor_welded", pump, (),
                 (f"{pump}.runs_uncalled", f"{pump}.failed_to_stop"), 2.0),
        ]  # fmt: skip
    air = ("blowers.more_run_than_needed",)
    cases += [
        Case("tripped", "blower_1", (), ("blower_1.in_fault",), 0.1),
        Case("left_in_hand", "blower_2", (), ("blower_2.not_in_auto",), 0.1, air),
        Case("switched_off", "blower_1", (), ("blower_1.not_in_auto",), 0.1),
        Case("tripped", "mixer", (), ("mixer.in_fault",), 0.1, ("mixer.stands_still",)),
        Case("fails_to_start", "mixer", (), ("mixer.stands_still",), 2.0),
        Case("contactor_welded", "mixer", (), ("mixer.runs_on",), 4.0),
        Case("tripped", "coagulant", (), ("coagulant.does_not_dose",), 10.0, for_h=12.0),
        Case("contactor_welded", "coagulant", (), ("coagulant.doses_without_flow",), 8.0,
             for_h=12.0, ends_h=20.0),
        Case("fails_to_start", "blower_1", (), ("blowers.stands_still",), 33.0, from_h=9.0,
             for_h=50.0),
        Case("contactor_welded", "blower_2", (), air, 24.0, for_h=26.0),
    ]  # fmt: skip
    return cases


def _panels() -> list[Case]:
    cases = []
    for panel, mains in (("works", ("works_mains.no_voltage",)), ("meadow", ())):
        gone = (f"{panel}.not_answering",)
        cases += [
            Case("link_dead", panel, (), gone, 0.3, ends_h=1.0),
            Case("link_silent", panel, (), gone, 0.3, ends_h=1.0),
            Case("mains_failed", panel, (), mains or gone, 0.3, gone if mains else (),
                 for_h=3.0, ends_h=1.0),
        ]  # fmt: skip
    cases.append(Case("panel_frozen", "works", (), ("works.panel_frozen",), 0.1, ends_h=1.0))
    cases.append(
        Case("panel_frozen", "meadow", (), ("meadow.panel_frozen",), 12.5, for_h=14.0, ends_h=1.0)
    )
    return cases


def _process() -> list[Case]:
    return [
        Case("dosing_tank_empty", "coagulant", (), ("coagulant.tank_low",), 0.1),
        Case("dosing_tank_empty", "hypochlorite", (), ("hypochlorite.tank_low",), 0.1),
        Case("filter_cleaning_endless", "filter", (), ("filter.cleaning_does_not_end",), 16.0,
             for_h=18.0),
        Case("tripped", "filter", (), ("filter.in_fault",), 0.1),
        Case("switched_off", "filter", (),
             ("filter.cleaning_does_not_begin", "filter.cleaning_does_not_come"), 17.0,
             for_h=20.0),
        Case("contactor_welded", "filter", (), ("filter.cleaning_does_not_end",), 0.3),
    ]  # fmt: skip


def _flows() -> list[Case]:
    """After five days, when there is a reference time to compare with."""
    cases = []
    wells = (("meadow_sump", "meadow_pump_1"), ("collection", "collection_pump_2"),
             ("equalization", "feed_pump_2"))  # fmt: skip
    for well, pump in wells:
        low, helped = (f"{pump}.low_flow",), (f"{pump}.lag_called_often",)
        blocked = (*low, f"{well}.not_emptied")
        # Feed pumps make one or two runs a day, blocked ones fewer.
        within_h, for_h, ends_h = (
            (110.0, 120.0, 96.0) if well == "equalization" else (24.0, 60.0, 60.0)
        )
        cases += [
            Case("pump_worn", pump, ("to=0.85",), low, 48.0, helped, 128.0, for_h, ends_h),
            Case("pump_blocked", pump, ("to=0.2",), blocked, within_h, (*helped, *low), 128.0,
                 for_h, ends_h),
        ]  # fmt: skip
    cases += [
        Case("check_valve_leaking", "collection", (), ("collection.check_valve_leaks",), 36.0,
             ("collection.flows_rose_together",), 128.0, 50.0, 84.0),
        Case("check_valve_leaking", "meadow_sump", (), ("meadow_sump.flows_rose_together",), 36.0,
             ("meadow_pump_?.short_cycling",), 128.0, 50.0, 60.0),
    ]  # fmt: skip
    return cases


SLOW_CASES = _flows()
QUICK_CASES = [*_floats(), *_motors(), *_panels(), *_process()]
LATENT = (
    "float_stuck open on start_2 and high: they hang anyway until the water reaches them",
    "check_valve_leaking on equalization and bowser_tank: the main holds too little for the well",
    "fails_to_start of the filter: the cloth is cleaned all the same",
    "replies_slow and replies_garbled: matters of the link, not run in virtual time",
)
"""Faults of the simulated plant that nothing in it shows, or that are no diagnosis."""
