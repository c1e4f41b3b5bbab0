"""Run time, starts and the run under way of one contact.

Expected figures follow from the definition at the head of ``runs.py`` (the elementary bound of
sampling: a transition in (a, b] is put at (a + b)/2, within (b - a)/2) and from counting by hand.
"""

from __future__ import annotations

import json
from collections.abc import Iterable

import pytest

from collector.core.records import Derived, Event, Output, PointChanged, Quality
from collector.core.runs import RunMeter
from tests.unit.core.scans_for_tests import us

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD


def contact(running: bool | None, after_s: float, by_s: float) -> PointChanged:
    quality = BAD if running is None else GOOD
    reason = "exception 02" if running is None else ""
    return PointChanged("p.run", running, quality, reason, us(after_s), us(by_s))


def watched(*, running: bool = False, from_s: float = 0.0) -> RunMeter:
    """A meter whose watching and knowing begin at once."""
    meter = RunMeter("pump", "p.run", us(from_s))
    meter.point_changed(contact(running, from_s, from_s))
    return meter


def derived(found: Iterable[Output], quantity: str) -> Derived:
    """The last figure told of a quantity."""
    return [
        item for item in found if isinstance(item, Derived) and item.subject == f"pump.{quantity}"
    ][-1]


def maybe_told(found: Iterable[Output], name: str) -> bool:
    """Whether a quantity or event is among what was told."""
    return any(item.subject == f"pump.{name}" for item in found)


def happened(found: Iterable[Output]) -> list[Event]:
    return [item for item in found if isinstance(item, Event)]


# --- brackets -----------------------------------------------------------------------------------


def test_a_run_between_two_brackets() -> None:
    """On in (10, 12], off in (20, 21]: 20.5 - 11 = 9.5 s within 1 + 0.5 s, so 8 to 11 s."""
    meter = watched()
    found = meter.point_changed(contact(True, 10, 12))
    assert happened(found) == [Event("pump.started", us(10), us(12))]
    assert derived(found, "state").value == "running"
    assert derived(found, "starts").value == 1.0
    found = meter.point_changed(contact(False, 20, 21))
    assert happened(found) == [Event("pump.stopped", us(20), us(21), value=9.5)]
    hours = derived(found, "run_hours")
    assert (hours.value, hours.low, hours.high, hours.quality) == (9.5, 8.0, 11.0, GOOD)
    assert derived(found, "state").value == "stopped"


def test_many_runs_add_their_brackets() -> None:
    """1000 runs of 60 s, each end known to 1 s: 60 000 s within 1000 s."""
    meter = watched()
    found: list[Output] = []
    for run in range(1000):
        meter.point_changed(contact(True, 100 * run + 9, 100 * run + 10))
        found = meter.point_changed(contact(False, 100 * run + 69, 100 * run + 70))
    hours = derived(found, "run_hours")
    assert (hours.value, hours.low, hours.high) == (60_000.0, 59_000.0, 61_000.0)
    assert meter.starts == 1000


def test_a_bracket_that_reaches_back_before_the_last_transition_is_cut_there() -> None:
    """Off cannot come before on: on in (10, 14] is put at 12, so off in (11, 14] is in (12, 14]."""
    meter = watched()
    meter.point_changed(contact(True, 10, 14))
    (event, *_) = meter.point_changed(contact(False, 11, 14))
    assert isinstance(event, Event)
    assert (event.after_us, event.by_us, event.value) == (us(11), us(14), 1.0)
    assert (meter.known_on_us, meter.bracket_us) == (us(1), us(3))


def test_odd_microseconds_round_the_bracket_outward() -> None:
    """Half of 3 us is 2 us, never 1: the bound must hold."""
    meter = watched()
    meter.point_changed(PointChanged("p.run", True, GOOD, "", 10, 13))
    assert meter.bracket_us == 2


# --- what is told between two reads -------------------------------------------------------------


def test_a_run_under_way_is_told_up_to_the_last_read() -> None:
    """Since 10 s by the last read at 99 s; what came after it may be off already, or still on."""
    meter = watched()
    meter.point_changed(contact(True, 9, 11))
    found = meter.report(us(100), us(99))
    hours, run = derived(found, "run_hours"), derived(found, "current_run")
    assert (hours.value, hours.low, hours.high, hours.quality) == (89.0, 88.0, 91.0, GOOD)
    assert (run.value, run.low, run.high, run.quality) == (89.0, 88.0, 91.0, GOOD)


def test_what_is_told_of_run_time_does_not_go_back_when_the_panel_is_lost() -> None:
    """Told up to the last read; the loss reaches back to the last read."""
    meter = watched(running=True)
    told = derived(meter.report(us(100), us(98)), "run_hours").value
    lost = derived(meter.lost("p", "no reply", us(98), us(101)), "run_hours")
    assert told == lost.value == 98.0
    assert (lost.low, lost.high, lost.quality) == (98.0, 101.0, UNCERTAIN)


def test_a_stopped_machine_has_nothing_to_report() -> None:
    """Quiet plants stay quiet."""
    meter = watched()
    assert meter.report(us(900), us(900)) == []


def test_the_current_run_is_set_to_nothing_when_it_was_told() -> None:
    """A run that nobody was told of needs no end of its telling."""
    meter = watched()
    meter.point_changed(contact(True, 1, 1))
    assert not maybe_told(meter.point_changed(contact(False, 2, 2)), "current_run")
    meter.point_changed(contact(True, 3, 3))
    meter.report(us(4), us(4))
    assert derived(meter.point_changed(contact(False, 5, 5)), "current_run").value == 0.0


# --- gaps ---------------------------------------------------------------------------------------


def test_time_before_the_first_read_is_unknown() -> None:
    """Watching since 0 s, first read at 30 s: up to 30 s it may have run."""
    meter = RunMeter("pump", "p.run", 0)
    found = meter.point_changed(contact(True, 30, 30))
    hours = derived(found, "run_hours")
    assert (hours.value, hours.low, hours.high, hours.quality) == (0.0, 0.0, 30.0, UNCERTAIN)
    assert not happened(found), "that it runs at first sight is no start seen"
    run = derived(meter.report(us(40), us(40)), "current_run")
    assert (run.value, run.low, run.high, run.quality) == (10.0, 10.0, None, UNCERTAIN)
    (stopped,) = happened(meter.point_changed(contact(False, 50, 50)))
    assert (stopped.value, stopped.quality) == (20.0, UNCERTAIN)
    assert stopped.reason == "its start was not seen"


def test_a_gap_inside_a_run() -> None:
    """Runs from 10 s to 100 s, unknown from 40 to 60: 70 s known, 20 unknown, one run."""
    meter = watched()
    meter.point_changed(contact(True, 10, 10))
    found = meter.lost("p", "no reply", us(40), us(43))
    assert (derived(found, "state").value, derived(found, "state").quality) == ("unknown", BAD)
    assert derived(found, "state").reason == "no reply"
    found = meter.returned("p", us(60))
    assert derived(found, "state").value == "running"
    assert derived(found, "run_hours_unknown").value == 20.0
    run = derived(meter.report(us(80), us(80)), "current_run")
    assert (run.value, run.low, run.high, run.quality) == (70.0, 20.0, 70.0, UNCERTAIN), (
        "surely since the gap, which may hide a pause"
    )
    found = meter.point_changed(contact(False, 100, 100))
    (stopped,) = happened(found)
    assert (stopped.value, stopped.quality, stopped.reason) == (
        90.0, UNCERTAIN, "gaps inside the run",
    )  # fmt: skip
    hours = derived(found, "run_hours")
    assert (hours.value, hours.low, hours.high, hours.quality) == (70.0, 70.0, 90.0, UNCERTAIN)


def test_a_start_hidden_in_a_gap() -> None:
    """Stopped before, running after: one start, somewhere in the gap, whose time is unknown."""
    meter = watched()
    meter.lost("p", "no reply", us(40), us(43))
    found = meter.point_changed(contact(True, 40, 60))
    (event,) = happened(found)
    assert (event.subject, event.after_us, event.by_us) == ("pump.started", us(40), us(60))
    assert meter.returned("p", us(60)) == []
    run = derived(meter.report(us(70), us(70)), "current_run")
    assert (run.value, run.low, run.high, run.reason) == (
        10.0, 10.0, 30.0, "its start was not seen",
    )  # fmt: skip
    hours = derived(meter.report(us(70), us(70)), "run_hours")
    assert (hours.value, hours.low, hours.high) == (10.0, 10.0, 30.0)
    assert (meter.starts, meter.bracket_us) == (1, 0)


def test_a_stop_hidden_in_a_gap() -> None:
    """Running before, stopped after: known up to the gap, and at most the gap more."""
    meter = watched(running=True)
    meter.lost("p", "no reply", us(40), us(43))
    found = meter.point_changed(contact(False, 40, 60))
    (event,) = happened(found)
    assert (event.subject, event.after_us, event.by_us) == ("pump.stopped", us(40), us(60))
    hours = derived(found, "run_hours")
    assert (hours.value, hours.low, hours.high) == (40.0, 40.0, 60.0)


def test_starts_are_at_least_after_a_gap() -> None:
    """Whole runs may hide in it, so the number has a lower bound and no upper one, for good."""
    meter = watched()
    before = derived(meter.point_changed(contact(True, 1, 1)), "starts")
    assert (before.value, before.low, before.high, before.quality) == (1.0, 1.0, 1.0, GOOD)
    meter.lost("p", "no reply", us(40), us(43))
    after = derived(meter.returned("p", us(60)), "starts")
    assert (after.value, after.low, after.high, after.quality) == (1.0, 1.0, None, UNCERTAIN)
    meter.point_changed(contact(False, 70, 70))
    later = derived(meter.point_changed(contact(True, 80, 80)), "starts")
    assert (later.value, later.high) == (2.0, None)


def test_a_contact_that_cannot_be_read_is_a_gap_of_its_own() -> None:
    """Its block fails from 40 s on, noticed at 43 s; the panel's own return does not end it."""
    meter = watched(running=True)
    found = meter.point_changed(contact(None, 40, 43))
    assert derived(found, "state").reason == "exception 02"
    assert meter.lost("p", "no reply", us(50), us(53)) == []
    assert meter.returned("p", us(60)) == []
    found = meter.point_changed(contact(False, 100, 100))
    (event,) = happened(found)
    assert (event.after_us, event.by_us) == (us(40), us(100)), "seen running up to 40 s"
    assert (meter.known_on_us, meter.unknown_us) == (us(40), us(60))


def test_a_loss_never_takes_back_a_start_that_was_seen() -> None:
    """Another block of the panel failed at 40 s; this contact was still read at 42 s."""
    meter = watched()
    meter.point_changed(contact(True, 41, 43))
    meter.lost("p", "no reply", us(40), us(44))
    meter.returned("p", us(50))
    assert meter.known_on_until(us(60)) == us(10)
    assert meter.unknown_us == us(8)


def test_every_gap_is_told_while_it_lasts() -> None:
    """The bounds of the run time open with it."""
    meter = watched(running=True)
    meter.lost("p", "no reply", us(40), us(43))
    found = meter.report(us(100), us(100))
    hours = derived(found, "run_hours")
    assert (hours.value, hours.low, hours.high) == (40.0, 40.0, 100.0)
    assert derived(found, "run_hours_unknown").value == 60.0


def test_a_start_found_after_a_gap_may_belong_before_any_boundary_in_it() -> None:
    """Read at 50 s, in the middle of the gap: the start found at 60 s may lie on either side. A
    machine that ran when it was lost hides no start that would be counted."""
    meter = watched()
    assert meter.readings(us(30))["starts"].edge == 0.0
    meter.lost("p", "no reply", us(40), us(43))
    assert meter.readings(us(50))["starts"].edge == 1.0
    meter.point_changed(contact(True, 40, 60))
    assert meter.readings(us(70))["starts"].edge == 0.0
    meter.lost("p", "no reply", us(80), us(83))
    assert meter.readings(us(90))["starts"].edge == 0.0


# --- starts per hour ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_s", "starts"),
    [(3609.999999, 3), (3610.0, 2), (3709.999999, 2), (3710.0, 1), (3810.0, 0)],
)
def test_starts_per_hour_count_the_last_sixty_minutes(at_s: float, starts: int) -> None:
    """Starts at 10, 110 and 210 s: the one exactly 60 minutes ago is out."""
    meter = watched()
    for start_s in (10, 110, 210):
        meter.point_changed(contact(True, start_s, start_s))
        meter.point_changed(contact(False, start_s + 50, start_s + 50))
    assert meter.starts_in_last_hour(us(at_s)) == starts


def test_a_rate_that_has_fallen_is_told_at_the_next_report() -> None:
    """In 1/s inside; told only when it differs from what was told."""
    meter = watched(from_s=-7200)
    rate = derived(meter.point_changed(contact(True, 10, 10)), "starts_per_hour")
    assert (rate.value, rate.quality) == (1 / 3600, GOOD)
    meter.point_changed(contact(False, 20, 20))
    assert not maybe_told(meter.report(us(3609), us(3609)), "starts_per_hour")
    assert derived(meter.report(us(3610), us(3610)), "starts_per_hour").value == 0.0
    assert not maybe_told(meter.report(us(9999), us(9999)), "starts_per_hour")


def test_a_rate_over_an_hour_not_wholly_watched_is_at_least() -> None:
    """Uncertain until an hour after the beginning, and after each gap."""
    meter = watched()
    rate = derived(meter.point_changed(contact(True, 3599, 3599)), "starts_per_hour")
    assert (rate.quality, rate.low, rate.high) == (UNCERTAIN, 1 / 3600, None)
    rate = derived(meter.report(us(3600), us(3600)), "starts_per_hour")
    assert (rate.quality, rate.low, rate.high) == (GOOD, 1 / 3600, 1 / 3600)
    meter.lost("p", "no reply", us(4000), us(4003))
    assert derived(meter.report(us(4010), us(4010)), "starts_per_hour").quality is UNCERTAIN
    meter.returned("p", us(4020))
    rate = derived(meter.report(us(7199), us(7199)), "starts_per_hour")
    assert (rate.value, rate.quality) == (0.0, UNCERTAIN), "none seen, and yet not none"
    assert not maybe_told(meter.report(us(7619), us(7619)), "starts_per_hour")
    assert derived(meter.report(us(7620), us(7620)), "starts_per_hour").quality is GOOD


def test_what_is_remembered_of_starts_is_bounded() -> None:
    """A relay that chatters for a day leaves an hour of starts at most."""
    meter = watched()
    for second in range(0, 86_400, 2):
        meter.point_changed(contact(True, second, second))
        meter.point_changed(contact(False, second + 1, second + 1))
    assert meter.starts == 43_200
    assert meter.starts_in_last_hour(us(86_398)) == 1800
    assert len(json.dumps(meter.save())) < 50_000


# --- keeping ------------------------------------------------------------------------------------


def test_a_state_that_lacks_something_leaves_the_meter_as_it_was() -> None:
    """All of a state or nothing of it."""
    meter = watched(running=True)
    saved = meter.save()
    for name in saved:
        partial = {key: value for key, value in saved.items() if key != name}
        fresh = RunMeter("pump", "p.run", us(5))
        with pytest.raises(ValueError, match=name):
            fresh.restore(partial)
        assert fresh.save() == RunMeter("pump", "p.run", us(5)).save()
