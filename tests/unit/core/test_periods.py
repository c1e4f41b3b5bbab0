"""Totals of hours, plant days and months.

Days with 23 and 25 hours: London moved its clocks on 2026-03-29 and 2026-10-25, both at 01:00 UTC
(IANA time zone database, file europe, rule EU). The rest follows from arithmetic.
"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.periods import CUT
from collector.core.pipeline import Pipeline
from collector.core.records import (
    COLLECTOR_STOPPED,
    FROZEN,
    LINK_LOST,
    ClockStepped,
    PanelLost,
    PanelReturned,
    Quality,
    Tick,
    Total,
)
from collector.links.planning import plan_panel
from tests.unit.core.watched_machine import (
    DAY_US,
    HOUR_US,
    SECOND_US,
    Truth,
    Watch,
    inputs_of,
    machine_plant,
    on_or_off,
)


def utc(text: str) -> int:
    """An instant in microseconds since 1970."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * SECOND_US


def started(watch: Watch, at_us: int, running: bool = True) -> None:
    """The first scan."""
    watch.take(on_or_off(running, at_us, at_us))
    watch.take(PanelReturned("p", at_us))


@pytest.mark.parametrize(
    ("day", "begin", "hours"),
    [
        ("2026-03-29T00:00", "2026-03-28T00:00", 23),
        ("2026-10-24T23:00", "2026-10-23T23:00", 25),
        ("2026-07-01T23:00", "2026-06-30T23:00", 24),
    ],
)
def test_a_day_on_which_the_clocks_move_has_23_or_25_hours(
    day: str, begin: str, hours: int
) -> None:
    """A machine that never stops runs 23 h on 2026-03-29 and 25 h on 2026-10-25 in London."""
    watch = Watch(machine_plant("Europe/London"), utc(begin))
    started(watch, utc(begin))
    watch.tick_to(utc(day) + 26 * HOUR_US)
    (total,) = [total for total in watch.totals("run_hours", "day") if total.from_us == utc(day)]
    assert total.value == hours * 3600
    assert total.to_us - total.from_us == hours * HOUR_US
    assert (total.quality, total.reason) == (Quality.GOOD, "")
    within = [
        hour for hour in watch.totals("run_hours", "hour")
        if total.from_us <= hour.from_us < total.to_us
    ]  # fmt: skip
    assert [hour.value for hour in within] == [3600.0] * hours


def test_what_nobody_watched_before_the_start_is_unknown_time_of_the_period() -> None:
    """Watching begins at 06:00: three quarters of the day are known, the rest may be run time."""
    start_us = utc("2026-05-01T06:00")
    watch = Watch(machine_plant(), start_us)
    started(watch, start_us)
    watch.tick_to(utc("2026-05-02T00:01"))
    (day,) = watch.totals("run_hours", "day")
    assert (day.from_us, day.to_us) == (utc("2026-05-01"), utc("2026-05-02"))
    assert (day.value, day.low, day.high) == (18 * 3600.0, 18 * 3600.0, 24 * 3600.0)
    assert (day.quality, day.reason) == (Quality.UNCERTAIN, "75.0 % of the period known")
    (starts,) = watch.totals("starts", "day")
    assert (starts.value, starts.low, starts.high) == (0.0, 0.0, None)


def test_an_hour_in_which_nothing_ran_is_not_told_but_the_day_is() -> None:
    """The journal stays small: 0 h a day is one record, not 24; starts are told by the day."""
    start_us = utc("2026-05-01")
    watch = Watch(machine_plant(), start_us)
    started(watch, start_us, running=False)
    watch.tick_to(utc("2026-05-02T00:01"))
    assert {total.subject for total in watch.told} == {
        "stirrer.run_hours.day", "stirrer.starts.day",
    }  # fmt: skip
    assert [total.value for total in watch.told] == [0.0, 0.0]


def test_nothing_is_told_of_a_day_of_which_nothing_is_known() -> None:
    """Unknown is not zero."""
    start_us = utc("2026-05-01")
    watch = Watch(machine_plant(), start_us)
    watch.take(PanelLost("p", LINK_LOST, start_us, start_us))
    watch.tick_to(utc("2026-05-04"))
    assert watch.told == []


def test_a_loss_noticed_after_the_boundary_still_counts_before_it() -> None:
    """Lost from 09:59:40 on, noticed at 10:00:10: the hour before has 20 s of unknown time."""
    start_us = utc("2026-05-01T09:00")
    watch = Watch(machine_plant(), start_us)
    started(watch, start_us)
    watch.tick_to(utc("2026-05-01T10:00") + 5 * SECOND_US)
    lost_us = utc("2026-05-01T09:59:40")
    watch.take(PanelLost("p", LINK_LOST, lost_us, utc("2026-05-01T10:00:10")))
    watch.tick_to(utc("2026-05-01T10:05"))
    (hour,) = watch.totals("run_hours", "hour")
    assert (hour.value, hour.low, hour.high) == (3580.0, 3580.0, 3600.0)
    assert hour.reason == "99.4 % of the period known"


def test_hours_told_before_a_panel_was_found_frozen_are_told_again() -> None:
    """Frozen since 09:30, found at 11:30: the hours from 9 and 10 on are corrected."""
    start_us = utc("2026-05-01T09:00")
    watch = Watch(machine_plant(frozen_after_s=7200.0), start_us)
    started(watch, start_us)
    watch.tick_to(utc("2026-05-01T11:30"))
    assert [total.value for total in watch.totals("run_hours", "hour")] == [3600.0, 3600.0]
    watch.take(PanelLost("p", FROZEN, utc("2026-05-01T09:30"), utc("2026-05-01T11:30")))
    first, *rest = watch.totals("run_hours", "hour")
    assert (first.value, first.low, first.high) == (1800.0, 1800.0, 3600.0)
    assert first.reason == "50.0 % of the period known"
    # Nothing at all is known of the hour after it any more.
    assert [(hour.value, hour.low, hour.high) for hour in rest] == [(0.0, 0.0, 3600.0)]


def test_a_transition_around_the_boundary_may_belong_to_either_side() -> None:
    """Off between 09:59:58 and 10:00:08: the middle is 10:00:03, give or take 5 s on both sides."""
    start_us = utc("2026-05-01T09:00")
    watch = Watch(machine_plant(), start_us)
    started(watch, start_us)
    after_us, by_us = utc("2026-05-01T09:59:58"), utc("2026-05-01T10:00:08")
    watch.take_all([on_or_off(False, after_us, by_us)], utc("2026-05-01T11:05"))
    nine, ten = watch.totals("run_hours", "hour")
    assert (nine.value, nine.low, nine.high) == (3600.0, 3595.0, 3605.0)
    assert ten.value == pytest.approx(3.0, abs=1e-9)
    assert ten.low == 0.0
    assert ten.high is not None
    assert 8.0 <= ten.high <= 13.0 + 1e-9


# --- the collector stops ------------------------------------------------------------------------


def test_a_stop_over_400_days_is_unknown_time_and_takes_bounded_work() -> None:
    """The days at both ends are told with their known share, those between are not told at all."""
    start_us = utc("2026-05-01")
    watch = Watch(machine_plant(), start_us)
    started(watch, start_us)
    stop_us = utc("2026-05-01T18:00")
    watch.tick_to(stop_us)
    back_us = utc("2026-05-01T06:00") + 400 * DAY_US
    before = len(watch.told)
    watch.take(PanelLost("p", COLLECTOR_STOPPED, stop_us, back_us))
    watch.take(PanelReturned("p", back_us))
    watch.tick_to(back_us + DAY_US)
    days = watch.totals("run_hours", "day")
    assert [day.value for day in days] == [18 * 3600.0, 18 * 3600.0]
    assert [day.reason for day in days] == ["75.0 % of the period known"] * 2
    months = watch.totals("run_hours", "month")
    assert [month.value for month in months] == [18 * 3600.0]
    assert len(watch.told) - before < 40
    (whole,) = [total for total in days if total.from_us == start_us]
    assert whole.to_us == utc("2026-05-02")
    hours = watch.totals("run_hours", "hour")
    # 18 before the stop and 24 after it, of which the last is not told yet.
    assert [hour.value for hour in hours] == [3600.0] * (18 + 23)
    assert all(hour.to_us - hour.from_us == HOUR_US for hour in hours)


# --- steps of the wall clock --------------------------------------------------------------------


def step(watch: Watch, at_us: int, step_us: int) -> None:
    """The wall clock is stepped."""
    offset_us = watch.engine.offset_us + step_us
    watch.take(ClockStepped(at_us, step_us, offset_us))


def assert_whole(totals: list[Total]) -> None:
    """Each begins where the one before ended, so that nothing is missing or counts twice."""
    for before, after in pairwise(totals):
        assert before.to_us == after.from_us
    for total in totals:
        assert total.value == (total.to_us - total.from_us) / 1e6  # it never stopped


def test_a_step_within_the_hour_moves_the_boundary_and_counts_nothing_twice() -> None:
    """Stepped on by 10 min at 10:20: the hour ends 10 min earlier in plant time and says so."""
    start_us = utc("2026-05-01T09:00")
    watch = Watch(machine_plant(), start_us)
    started(watch, start_us)
    watch.tick_to(utc("2026-05-01T10:20"))
    step(watch, utc("2026-05-01T10:20"), 600 * SECOND_US)
    watch.tick_to(utc("2026-05-01T12:00"))
    hours = watch.totals("run_hours", "hour")
    assert_whole(hours)
    assert [hour.value for hour in hours] == [3600.0, 3000.0, 3600.0]
    assert [hour.reason for hour in hours] == ["", "the clock was stepped", ""]


def test_a_day_met_twice_after_a_step_back_is_uncertain() -> None:
    """At 00:10 the clock is set back to 23:50: the old day comes again for 10 min."""
    start_us = utc("2026-05-01")
    watch = Watch(machine_plant(), start_us)
    started(watch, start_us)
    step_us = utc("2026-05-02T00:10")
    watch.tick_to(step_us)
    step(watch, step_us, -1200 * SECOND_US)
    watch.tick_to(utc("2026-05-03T00:30"))
    days = watch.totals("run_hours", "day")
    assert_whole(days)
    assert [day.value for day in days] == [86_400.0, 600.0, 600.0, 86_400.0]
    again = "the clock was set back: met twice"
    assert [day.reason for day in days] == ["", "cut by a step of the clock", again, again]
    assert_whole(watch.totals("run_hours", "hour"))


def test_a_clock_that_comes_up_in_1970_and_is_set_right_counts_nothing_twice() -> None:
    """A small computer without a battery clock: decades back, and an hour later forward again."""
    start_us = utc("2026-05-01")
    watch = Watch(machine_plant("Europe/London"), start_us)
    started(watch, start_us)
    away_us = utc("2026-05-01T12:30")
    watch.tick_to(away_us)
    step(watch, away_us, -away_us)
    watch.tick_to(away_us + HOUR_US)
    step(watch, away_us + HOUR_US, away_us)
    watch.tick_to(utc("2026-05-03T00:30"))
    for period in ("hour", "day"):
        assert_whole(watch.totals("run_hours", period)[1:])
    known_s = sum(total.value or 0 for total in watch.totals("run_hours", "day"))
    assert known_s == (utc("2026-05-02T23:00") - start_us) / 1e6


def test_a_stop_of_unknown_length_ends_the_period_and_begins_another() -> None:
    """The state is of before the step of the wall clock that only the next start can know of."""
    start_us = utc("2026-05-01")
    plant = machine_plant()
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    before = Pipeline(plant, plans, start_us)
    for news in (on_or_off(True, start_us, start_us), PanelReturned("p", start_us)):
        before.engine.step(news)
    stop_us = utc("2026-05-01T06:30")
    while (at_us := before.engine.next_deadline_us()) <= stop_us:
        before.engine.step(Tick(at_us))
    jump_us = 3 * DAY_US  # it stopped on 1 May and comes up with 4 May on the clock
    after = Pipeline(plant, plans, stop_us + 1, jump_us)
    found, unusable = after.resume(before.save(), [], {"p": stop_us}, stop_us, stop_us + 1)
    assert unusable == []
    after.engine.step(PanelReturned("p", stop_us + 2))
    while (at_us := after.engine.next_deadline_us()) <= stop_us + DAY_US:
        found += after.tick(at_us)
    days = [record for record in found if record.subject == "stirrer.run_hours.day"]
    assert [day.reason.rpartition("; ")[2] for day in days] == [CUT, CUT]
    assert [day.value for day in days] == [pytest.approx(6.5 * 3600), pytest.approx(17.5 * 3600)]
    assert days[1].after_us == stop_us + 1


# --- properties ---------------------------------------------------------------------------------

START_US = utc("2026-03-27T15:17")
END_US = START_US + 4 * DAY_US


@st.composite
def truths(draw: st.DrawFn) -> Truth:
    """Runs and pauses that scans of 10 s can see."""
    spans_s = draw(st.lists(st.integers(25, 40_000), max_size=24))
    turns, at_us = [], START_US + 60 * SECOND_US
    for span_s in spans_s:
        at_us += span_s * SECOND_US + draw(st.integers(0, 999_999))
        turns.append(at_us)
    return Truth(turns)


@st.composite
def gaps(draw: st.DrawFn) -> list[tuple[int, int]]:
    """Up to three silences, each long enough to be noticed."""
    found, at_us = [], START_US
    for _ in range(draw(st.integers(0, 3))):
        at_us += draw(st.integers(100, 80_000)) * SECOND_US
        length_us = draw(st.integers(60, 40_000)) * SECOND_US
        found.append((at_us, at_us + length_us))
        at_us += length_us
    return found


def watched(truth: Truth, silences: list[tuple[int, int]]) -> Watch:
    watch = Watch(machine_plant("Europe/London"), START_US)
    watch.take_all(inputs_of(truth, START_US, END_US, silences), END_US)
    return watch


@settings(deadline=None, max_examples=40)
@given(truths(), gaps())
def test_the_truth_lies_within_the_bounds_of_every_total(
    truth: Truth, silences: list[tuple[int, int]]
) -> None:
    """Whatever runs, pauses and silences there are, at every boundary."""
    watch = watched(truth, silences)
    for period in ("hour", "day"):
        for total in watch.totals("run_hours", period):
            ran_s = truth.ran_us(total.from_us, total.to_us) / 1e6
            assert total.low is not None
            assert total.high is not None
            assert total.low - 1e-6 <= ran_s <= total.high + 1e-6, total
        for total in watch.totals("starts", period):
            assert total.high is None or total.high >= truth.started(total.from_us, total.to_us)
            assert total.low is not None
            assert total.low <= truth.started(total.from_us, total.to_us)


@settings(deadline=None, max_examples=40)
@given(truths(), gaps())
def test_hours_add_up_to_days(truth: Truth, silences: list[tuple[int, int]]) -> None:
    """An hour that is not told saw nothing; the others make the day, to a microsecond."""
    watch = watched(truth, silences)
    for day in watch.totals("run_hours", "day"):
        hours = [
            hour.value or 0.0 for hour in watch.totals("run_hours", "hour")
            if day.from_us <= hour.from_us < day.to_us
        ]  # fmt: skip
        assert sum(hours) == pytest.approx(day.value, abs=1e-6)


@settings(deadline=None, max_examples=30)
@given(truths(), gaps(), st.lists(st.integers(0, 400), max_size=6))
def test_restarts_change_nothing(
    truth: Truth, silences: list[tuple[int, int]], places: list[int]
) -> None:
    """State that went through JSON between any two inputs gives the same totals."""
    inputs = inputs_of(truth, START_US, END_US, silences)
    whole, pieces = watched(truth, silences), Watch(machine_plant("Europe/London"), START_US)
    for place, news in enumerate(inputs):
        if place in places:
            pieces.restart()
        pieces.take_all([news], news.by_us if not isinstance(news, PanelLost) else START_US)
    pieces.restart()
    pieces.tick_to(END_US)
    assert pieces.told == whole.told


@settings(deadline=None, max_examples=30)
@given(truths(), gaps(), st.integers(100, 300_000), st.integers(60, 40_000))
def test_a_gap_more_only_widens(
    truth: Truth, silences: list[tuple[int, int]], at_s: int, length_s: int
) -> None:
    """Whatever was possible before is still possible with one more silence.

    A transition that the silence hides is found at its end, so bounds move by a bracket.
    """
    extra = (START_US + at_s * SECOND_US, START_US + (at_s + length_s) * SECOND_US)
    less = watched(truth, silences)
    more = watched(truth, [*silences, extra])
    before = {total.from_us: total for total in less.totals("run_hours", "day")}
    for total in more.totals("run_hours", "day"):
        old = before[total.from_us]
        assert total.low is not None
        assert total.high is not None
        assert old.low is not None
        assert old.high is not None
        turns = sum(total.from_us <= turn < total.to_us for turn in truth.turns_us)
        slack_s = 10.0 * (turns + 2)
        assert total.low <= old.low + slack_s
        assert total.high >= old.high - slack_s
