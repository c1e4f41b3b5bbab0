"""Bad days of service: replacements, rollovers, unknown weeks, double and late entries, restarts.

One stirrer whose truth is known to the microsecond is watched by a whole engine, with the rule
"overhaul each 500 h". What is due and what the machine has run is held against that truth; the
figures are arithmetic.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.alarms.action_form import read_action
from collector.core.alarms.rule import AlarmRule
from collector.core.calendar import local
from collector.core.engine import Engine
from collector.core.process.machine_hours import BEFORE_WATCHING, NOT_ENTERED
from collector.core.records import (
    LINK_LOST,
    ActionTaken,
    Derived,
    Event,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    ServiceMoved,
    Tick,
    Value,
)
from collector.core.service.rule import ServiceRule, UseInterval
from collector.plant.model import Plant
from tests.unit.core.watched_machine import DAY_US, HOUR_US, SECOND_US, Truth, on_or_off

START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
MODULUS_H = 1_000


@dataclass(frozen=True)
class Rules:
    """An overhaul each 500 h, and no alarms."""

    alarms: tuple[AlarmRule, ...] = ()
    service: tuple[ServiceRule, ...] = (
        ServiceRule(
            "stirrer", "overhaul", "Overhaul", (UseInterval("run_hours", 500.0 * 3600.0),), 14.0
        ),
    )


def the_plant(serial: str | None = None) -> Plant:
    """A mixer with an hour meter of three digits, which rolls over at 1000 h."""
    hours = {
        "table": "input-register",
        "address": 0,
        "unit": "h",
        "counter": {"modulus": MODULUS_H},
    }
    return Plant.model_validate(
        {
            "plant": {"name": "paper", "title": "On paper", "time_zone": "UTC"},
            "links": {"lan": {"kind": "tcp", "host": "127.0.0.1"}},
            "panels": {
                "p": {
                    "link": "lan",
                    "scan_period_s": 10.0,
                    "points": {"run": {"table": "discrete-input", "address": 0}, "hours": hours},
                }
            },
            "equipment": {
                "stirrer": {"kind": "mixer", "title": "Stirrer", "run": "p.run",
                            "hour_meter": "p.hours", "serial_number": serial},
            },
        }
    )  # fmt: skip


def at(days: float) -> int:
    """Plant time so many days after the start; wall time is the same."""
    return START_US + round(days * DAY_US)


def rfc3339(at_us: int) -> str:
    return local(at_us, UTC).isoformat()


def entry(verb: str, told_us: int, done_us: int | None = None, **details: Value) -> ActionTaken:
    """An entry about the stirrer."""
    body: dict[str, Value] = {"id": f"{verb}{told_us}", **details}
    if done_us is not None:
        body["done_at"] = rfc3339(done_us)
    return ActionTaken("stirrer", verb, told_us, "J. Sallow", body)


def done(told_us: int, done_us: int | None = None) -> ActionTaken:
    return entry("work_done", told_us, done_us, task="overhaul")


def daily(days: int, hours: float = 10.0) -> Truth:
    """Every day from six in the morning on."""
    turns = [at(day + 0.25) + half for day in range(days) for half in (0, round(hours * HOUR_US))]
    return Truth(turns)


def seen(truth: Truth, gap: tuple[int, int] | None = None) -> list[Input]:
    """What the panel tells of it; each transition within 10 s; nothing in a gap."""
    found: list[Input] = [on_or_off(False, START_US, START_US), PanelReturned("p", START_US)]
    known = False
    for place, turn_us in enumerate(truth.turns_us):
        if gap is not None and gap[0] <= turn_us < gap[1]:
            continue
        known = place % 2 == 0
        found.append(on_or_off(known, turn_us - 5 * SECOND_US, turn_us + 5 * SECOND_US))
    if gap is not None:
        found.append(PanelLost("p", LINK_LOST, *(gap[0] + s * SECOND_US for s in (0, 30))))
        on = truth.on_at(gap[1])
        found += [on_or_off(on, gap[0], gap[1]), PanelReturned("p", gap[1])]
    return sorted(found, key=lambda news: news.by_us)


@dataclass
class Watch:
    """An engine with the rule, and all it has told."""

    plant: Plant = field(default_factory=the_plant)
    said: list[Output] = field(default_factory=list)
    taken: list[Input] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.engine = Engine(self.plant, START_US, rules=Rules())

    def take(self, inputs: Iterable[Input], until_us: int) -> Watch:
        """Inputs up to a time in their order, with ticks whenever they are wanted."""
        wanted = [news for news in inputs if news.by_us <= until_us]
        for news in sorted(wanted, key=lambda each: each.by_us):
            self.tick_to(news.last_good_us if isinstance(news, PanelLost) else news.by_us)
            self.said += self.engine.step(news)
            self.taken.append(news)
        self.tick_to(until_us)
        return self

    def tick_to(self, until_us: int) -> None:
        while (due_us := self.engine.next_deadline_us()) <= until_us:
            self.said += self.engine.step(Tick(due_us))

    @property
    def task(self) -> ServiceMoved:
        """How the overhaul stands."""
        return [each for each in self.said if isinstance(each, ServiceMoved)][-1]

    def told(self, quantity: str, machine: str = "") -> list[Derived]:
        """What was told of a quantity, of one machine if its number is given."""
        return [
            each
            for each in self.said
            if isinstance(each, Derived)
            and each.subject == f"stirrer.{quantity}"
            and (not machine or each.reason.split(";")[0] == f"machine {machine}")
        ]


def hours_of(figure: Derived) -> float:
    assert isinstance(figure.value, float)
    return figure.value / 3600.0


# --- replacements -------------------------------------------------------------------------------


def test_a_machine_replaced_in_the_middle_of_an_interval() -> None:
    """After 30 days of 10 h a machine of 1200 h comes: nothing of the 300 h is owed, the old one
    ended at 300 h under its own number, the new one counts from 1200 h."""
    watch = Watch(the_plant("OB-1"))
    new = entry("replaced", at(30), serial_number="OB-7", meter_reading=1200.0)
    watch.take([*seen(daily(40)), new], at(40) + HOUR_US)
    assert watch.task.state == "not due"
    assert watch.task.details["used"] == pytest.approx(100.0, abs=0.1)
    old = watch.told("machine_hours", "OB-1")[-1]
    assert hours_of(old) == pytest.approx(300.0, abs=0.1)
    assert old.high is None
    assert NOT_ENTERED in old.reason
    fresh = watch.told("machine_hours", "OB-7")[-1]
    assert hours_of(fresh) == pytest.approx(1300.0, abs=1.1)  # told in steps of an hour
    assert fresh.quality is Quality.GOOD
    # The place's own figures go on.
    assert hours_of(watch.told("run_hours")[-1]) == pytest.approx(400.0, abs=0.1)


def test_two_replacements_and_one_declared_void() -> None:
    """Each machine ends where the next came; without the second the first goes on."""
    inputs = [
        *seen(daily(30)),
        entry("replaced", at(10), serial_number="OB-7", meter_reading=50.0),
        entry("replaced", at(20), serial_number="OB-8", meter_reading=0.0),
    ]
    watch = Watch().take(inputs, at(25))
    assert hours_of(watch.told("machine_hours", "OB-7")[-1]) == pytest.approx(150.0, abs=0.1)
    assert hours_of(watch.told("machine_hours")[-1]) == pytest.approx(50.0, abs=1.1)
    void = entry("correction", at(25), of_entry=f"replaced{at(20)}", void=True)
    watch.take([void], at(25) + HOUR_US)
    last = watch.told("machine_hours")[-1]
    assert last.reason == "machine OB-7"
    assert hours_of(last) == pytest.approx(200.0, abs=1.1)


def test_a_replacement_told_days_later_has_the_hours_within_their_bounds() -> None:
    """Replaced at 11:00 of the day, told four days later: what ran that day belongs to one or the
    other. Due counts it to the new one."""
    truth = daily(30)
    came_us = at(20) + 11 * HOUR_US
    late = entry("replaced", at(24.05), came_us, serial_number="OB-7", meter_reading=0.0)
    watch = Watch().take([*seen(truth), late], at(24.05))
    last = watch.told("machine_hours")[-1]
    really_s = truth.ran_us(came_us, at(24.05)) / 1e6
    assert last.low is not None
    assert last.high is not None
    assert last.low <= really_s <= last.high
    assert last.high - last.low == pytest.approx(10.0 * 3600.0, abs=360.0)
    assert last.quality is Quality.UNCERTAIN
    assert watch.task.details["used_high"] == pytest.approx(40.0, abs=0.1)


def test_a_machine_that_came_before_watching_began_has_no_upper_bound() -> None:
    """Nobody counted between its coming and the first sign."""
    old = entry("replaced", at(5), at(-20), serial_number="OB-7", meter_reading=100.0)
    watch = Watch().take([*seen(daily(6)), old], at(6))
    last = watch.told("machine_hours")[-1]
    assert (last.high, last.reason) == (None, "machine OB-7" + BEFORE_WATCHING)
    assert last.low is not None
    assert last.low >= 100.0 * 3600.0


def test_another_serial_number_in_the_plant_file_is_another_machine() -> None:
    """Nobody entered it: the old one ends at the next end of a day, the new one begins there."""
    watch = Watch(the_plant("OB-1")).take(seen(daily(10)), at(10))
    other = Watch(the_plant("OB-2"))
    assert other.engine.restore(watch.engine.save()) == []
    inputs = [news for news in seen(daily(20)) if news.by_us > at(10)]
    other.take(inputs, at(15))
    assert hours_of(other.told("machine_hours", "OB-1")[-1]) == pytest.approx(110.0, abs=10.1)
    assert hours_of(other.told("machine_hours", "OB-2")[-1]) == pytest.approx(40.0, abs=11.1)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_the_hours_of_every_machine_lie_within_their_bounds(seed: int) -> None:
    """Runs of any length, a gap, machines that come at any time and are told at once or later."""
    random = Random(seed)
    turns, at_us = [], START_US
    while at_us < at(8):
        at_us += random.randrange(HOUR_US // 2, 12 * HOUR_US)
        turns.append(at_us)
    truth = Truth(turns)
    gap_us = at(random.uniform(1, 6))
    gap = (gap_us, gap_us + random.randrange(HOUR_US, DAY_US))
    while any(abs(turn_us - edge_us) < 60 * SECOND_US for turn_us in turns for edge_us in gap):
        gap = (gap[0] + 61 * SECOND_US, gap[1] + 61 * SECOND_US)
    came = sorted(at(random.uniform(0.1, 6)) for _ in range(2))
    told = [random.choice((0, random.randrange(2 * DAY_US))) for _ in came]
    entries = [
        entry("replaced", came_us + later_us, came_us if later_us else None,
              serial_number=f"OB-{k}", meter_reading=0.0)
        for k, (came_us, later_us) in enumerate(zip(came, told, strict=True))
    ]  # fmt: skip
    watch = Watch().take([*seen(truth, gap), *entries], at(8))
    first, second = (watch.told("machine_hours", f"OB-{k}")[-1] for k in (0, 1))
    for figure, from_us, to_us in ((first, came[0], came[1]), (second, came[1], second.at_us)):
        assert figure.low is not None
        assert figure.high is not None
        really_s = truth.ran_us(from_us, to_us) / 1e6
        assert figure.low - 1e-3 <= really_s <= figure.high + 1e-3


# --- hour meters --------------------------------------------------------------------------------


def metered(
    truth: Truth, days: int, first_h: float, new: tuple[int, float] | None = None
) -> list[Input]:
    """What the hour meter shows, each full hour of running; another one from a day on."""
    found: list[Input] = []
    shown_h, last_us = first_h, START_US
    for day in range(days):
        if new is not None and day == new[0]:
            shown_h = new[1]
        for hour in range(11):
            seen_us = at(day + 0.25) + hour * HOUR_US + 20 * SECOND_US
            if hour:
                shown_h = (shown_h + 1.0) % MODULUS_H
            found.append(
                PointChanged("p.hours", shown_h * 3600.0, Quality.GOOD, "", last_us, seen_us)
            )
            last_us = seen_us
    assert truth.turns_us
    return found


def test_an_hour_meter_that_rolls_over_changes_nothing() -> None:
    """From 950 h over 999 h to 0: no event, no drift, and due as without a meter."""
    truth = daily(20)
    watch = Watch().take([*seen(truth), *metered(truth, 20, 950.0)], at(20) + HOUR_US)
    assert [
        each for each in watch.said if isinstance(each, Event) and "meter" in each.subject
    ] == []
    drift = watch.told("hour_meter_drift")[-1]
    assert drift.value == pytest.approx(0.0, abs=0.01)
    assert watch.task.details["used"] == pytest.approx(200.0, abs=0.1)


def test_a_new_hour_meter_amid_an_interval_is_said_and_counts_no_hours() -> None:
    """With the machine its meter was changed, to one of 500 h, a day after the old one had rolled
    over: an event, no hours from the step, and the interval begins with the entry."""
    truth = daily(20)
    inputs = [*seen(truth), *metered(truth, 20, 890.0, (12, 500.0))]
    new = entry("replaced", at(12), serial_number="OB-7", meter_reading=500.0)
    watch = Watch().take([*inputs, new], at(20) + HOUR_US)
    events = [each for each in watch.said if isinstance(each, Event) and "meter" in each.subject]
    assert [event.subject for event in events] == ["stirrer.hour_meter_changed"]
    assert watch.task.details["used"] == pytest.approx(80.0, abs=0.1)
    assert hours_of(watch.told("machine_hours")[-1]) == pytest.approx(580.0, abs=1.1)
    assert hours_of(watch.told("run_hours")[-1]) == pytest.approx(200.0, abs=0.1)


# --- unknown time -------------------------------------------------------------------------------


def test_a_week_of_unknown_run_time_makes_it_due_earlier_and_the_range_wider() -> None:
    """168 h may have run: due when 332 h are known, 13 to 14 days after the week instead of 30."""
    truth = daily(60)
    whole = Watch().take(seen(truth), at(27) + HOUR_US)
    gap = (at(20), at(27))
    watch = Watch().take(seen(truth, gap), at(27) + HOUR_US)
    assert watch.task.details["used"] == pytest.approx(200.0, abs=0.1)
    # Told at midnight with what was told last, within the 15 minutes before.
    assert watch.task.details["used_high"] == pytest.approx(368.0, abs=0.26)
    assert _days_of_range(watch) > _days_of_range(whole)
    for moved, expected in ((39, "due soon"), (42, "due")):
        again = Watch().take(seen(truth, gap), at(moved) + HOUR_US)
        assert again.task.state == expected
    assert Watch().take(seen(truth), at(42) + HOUR_US).task.state == "due soon"


def _days_of_range(watch: Watch) -> int:
    early, late = (str(watch.task.details[name]) for name in ("due_early", "due_late"))
    return (date.fromisoformat(late) - date.fromisoformat(early)).days


# --- entries ------------------------------------------------------------------------------------


def test_the_same_task_closed_twice() -> None:
    """Two people enter one visit; both entries are kept, the interval begins once."""
    watch = Watch().take([*seen(daily(40)), done(at(40)), done(at(40) + 300 * SECOND_US)], at(40.1))
    assert watch.task.details["used"] == pytest.approx(0.0, abs=0.1)
    moves = [each for each in watch.said if isinstance(each, ServiceMoved) and each.by_us >= at(40)]
    assert len({str(sorted(move.details.items())) for move in moves if move.by_us > at(40)}) <= 1
    assert len(watch.engine.desks.logbook.of("stirrer")) == 2


def test_an_entry_for_the_future_is_refused() -> None:
    """One sentence that says so; a clock five minutes ahead of ours is no lie."""
    text = (
        '{"id": "a", "verb": "work_done", "about": "stirrer", "by": "J. Sallow", "way": "paper", '
        '"said": "2026-01-01T00:00:00Z", "task": "overhaul", "done_at": "WHEN"}'
    )
    refused = read_action(text.replace("WHEN", rfc3339(at(2))).encode(), at(1), 0)
    assert isinstance(refused, str)
    assert "yet to come" in refused
    near = read_action(text.replace("WHEN", rfc3339(at(1) + 60 * SECOND_US)).encode(), at(1), 0)
    assert isinstance(near, ActionTaken)


def test_work_of_the_past_owes_what_ran_since() -> None:
    """Done at noon of the 31st day, told ten days later: 90 to 100 h, never less than the truth."""
    truth = daily(50)
    work_us = at(30.5)
    watch = Watch().take([*seen(truth), done(at(40), work_us)], at(40) + 60 * SECOND_US)
    really_h = truth.ran_us(work_us, at(40)) / HOUR_US
    details = watch.task.details
    assert isinstance(details["used_low"], float)
    assert isinstance(details["used_high"], float)
    assert details["used_low"] - 0.1 <= really_h <= details["used_high"] + 0.1
    assert details["used_high"] == pytest.approx(100.0, abs=0.1)
    (kept,) = watch.engine.desks.logbook.of("stirrer")
    assert kept.late


# --- restarts -----------------------------------------------------------------------------------


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_replayed_in_pieces_it_is_what_it_is_in_one(seed: int) -> None:
    """Entries of all sorts, a gap and any number of restarts: the same state to the last bit."""
    random = Random(seed)
    gap_us = at(random.uniform(2, 5)) // HOUR_US * HOUR_US + HOUR_US // 2
    entries: list[ActionTaken] = []
    for k in range(random.randrange(1, 6)):
        told_us = at(random.uniform(1, 9))
        done_us = None if random.random() < 0.5 else told_us - random.randrange(3 * DAY_US)
        if random.random() < 0.3 and entries:
            wrong = random.choice(entries)
            entries.append(entry("correction", max(told_us, wrong.by_us + 1), void=True,
                                 of_entry=str(wrong.details["id"])))  # fmt: skip
        elif random.random() < 0.5:
            entries.append(entry("replaced", told_us, done_us, serial_number=f"OB-{k}",
                                 meter_reading=float(k)))  # fmt: skip
        else:
            entries.append(done(told_us, done_us))
    inputs = sorted(
        [*seen(daily(10), (gap_us, gap_us + DAY_US)), *entries], key=lambda news: news.by_us
    )
    whole = Watch().take(inputs, at(10))
    cuts = sorted(random.sample(range(1, len(inputs)), 3))
    engine = Engine(the_plant(), START_US, rules=Rules())
    for first, last in zip([0, *cuts], [*cuts, len(inputs)], strict=True):
        watch = Watch()
        watch.engine = engine
        piece = inputs[first:last]
        watch.take(piece, piece[-1].by_us if last < len(inputs) else at(10))
        saved, engine = engine.save(), Engine(the_plant(), START_US, rules=Rules())
        assert engine.restore(saved) == []
    assert engine.save() == whole.engine.save()
