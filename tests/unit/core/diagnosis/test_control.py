"""Control supervision by contacts alone: what a person with the wiring diagram would say.

The rules are those of common small panels (common practice, no source): start-1 calls the lead
pump, start-2 or high both, the low float stops them, and the lead changes with each cycle.
"""

from __future__ import annotations

import pytest

from tests.unit.core.diagnosis.stories import Story, works


def test_a_healthy_day_raises_nothing() -> None:
    """Ten cycles in turn, one with the lag pump."""
    story = Story()
    for k in range(10):
        story.cycle(1000.0 * (k + 1), 1 + k % 2, lag=2 - k % 2 if k == 6 else None)
    assert story.wait_until(20_000).raised == []


def test_the_lead_that_does_not_start_is_named() -> None:
    """After a cycle of pump 1 it is the turn of pump 2: called at 2000 s, available, no run contact
    within 60 s. It ceases when it is seen to run."""
    story = Story().cycle(1000, 1).at(2000, start_1=True)
    assert story.wait_until(2059).raised == []
    assert story.wait_until(2070).raised == ["pump_2.failed_to_start"]
    found = story.finding("pump_2.failed_to_start")
    assert 1999 <= found.after_us / 1e6 <= 2000
    assert story.at(2100, start_2=True, run_1=True).standing == {"pump_2.failed_to_start"}
    assert story.at(2200, run_2=True).standing == set()


def test_before_any_turn_is_known_the_one_left_standing_is_named() -> None:
    """Nobody can know whose turn it was; once both are called and one runs, it is the other."""
    story = Story().at(1000, start_1=True)
    assert story.wait_until(1300).raised == []
    story.at(1301, start_2=True, run_1=True)
    assert story.wait_until(1400).raised == ["pump_2.failed_to_start"]


@pytest.mark.parametrize(
    "out",
    [{"fault_1": True, "auto_2": False}, {"mains": False}, {"auto_1": False, "auto_2": False}],
)
def test_a_pump_that_is_not_available_has_not_failed(out: dict[str, bool]) -> None:
    """Fault, selector or mains say why; the call does not make it a failure to start."""
    story = Story().at(900, **out).at(1000, start_1=True).at(1200, start_2=True)
    assert not any("failed_to_start" in subject for subject in story.wait_until(3000).raised)


def test_fault_and_selector_are_findings_of_their_own() -> None:
    """A fault after seconds, the selector after two minutes; both end with the contact."""
    story = Story().at(100, fault_1=True, auto_2=False)
    assert story.wait_until(115).raised == ["pump_1.in_fault"]
    assert story.wait_until(240).raised == ["pump_1.in_fault", "pump_2.not_in_auto"]
    assert story.at(300, fault_1=False, auto_2=True).standing == set()


def test_a_pump_that_runs_on_past_the_stop_float() -> None:
    """It runs 30 s after the low float has opened: failed to stop, towards dry."""
    story = Story().at(1000, start_1=True).at(1003, run_1=True).at(1050, start_1=False)
    story.at(1100, low=False)
    assert story.wait_until(1129).raised == []
    assert story.wait_until(1140).raised == ["pump_1.failed_to_stop"]
    assert "isolate, lock out, verify" in story.finding("pump_1.failed_to_stop").text
    assert story.at(1300, run_1=False).standing == set()


def test_a_welded_contactor_runs_uncalled_and_says_so_once() -> None:
    """It starts while no float calls; when the stop float opens it is still the same finding."""
    story = Story().cycle(1000, 1).at(2000, run_2=True)
    assert story.wait_until(2060).raised == ["pump_2.runs_uncalled"]
    story.at(2100, low=False).wait_until(2400)
    assert story.raised == ["pump_2.runs_uncalled"]
    assert story.at(2500, run_2=False).standing == set()


def test_a_call_holds_until_the_stop_float_opens() -> None:
    """Start-1 has opened, low is still made: the pump is called all the while."""
    story = Story().at(1000, start_1=True).at(1003, run_1=True).at(1050, start_1=False)
    assert story.wait_until(3000).raised == []


def test_without_a_low_float_start_1_stops_the_pumps() -> None:
    """It runs on after start-1 has opened: failed to stop."""
    story = Story(works(floats=("start_1", "start_2", "high")))
    story.at(1000, start_1=True).at(1003, run_1=True).at(1050, start_1=False)
    assert story.wait_until(1100).raised == ["pump_1.failed_to_stop"]


def test_the_same_lead_four_times_is_no_alternation() -> None:
    """Cycles 1 1 1 1 while pump 2 is there to be called; a turn of pump 2 ends it."""
    story = Story()
    for k in range(3):
        story.cycle(1000.0 * (k + 1), 1)
    assert story.raised == []
    assert story.cycle(4000, 1).raised == ["sump.no_alternation"]
    assert story.cycle(5000, 2).standing == set()


def test_a_pump_that_is_out_of_service_excuses_the_other() -> None:
    """Pump 2 in off: pump 1 leads for ever, and that is not the changeover's doing."""
    story = Story().at(500, auto_2=False)
    for k in range(8):
        story.cycle(1000.0 * (k + 1), 1)
    assert story.raised == ["pump_2.not_in_auto"]


def test_a_lead_that_needs_help_every_time() -> None:
    """With pump 1 leading the lag pump is called in 8 of 8 cycles, with pump 2 in none of 8."""
    story = Story()
    for k in range(16):
        story.cycle(2000.0 * (k + 1), 1 + k % 2, lag=2 if k % 2 == 0 else None)
    assert story.raised == ["pump_1.lag_called_often"]
    assert "8 of the last 8 cycles" in story.finding("pump_1.lag_called_often").text


def test_an_inflow_peak_that_minds_not_who_leads_is_no_finding() -> None:
    """Every cycle needs both pumps."""
    story = Story()
    for k in range(16):
        story.cycle(2000.0 * (k + 1), 1 + k % 2, lag=2 - k % 2)
    assert story.raised == []


def test_more_starts_in_an_hour_than_the_maker_allows() -> None:
    """Limit 6: the seventh start within 60 min is one too many; half an hour within the limit ends
    it."""
    story = Story()
    for k in range(14):
        story.cycle(1000.0 + 250.0 * k, 1 + k % 2, length_s=80)
    assert story.raised == ["pump_1.short_cycling", "pump_2.short_cycling"]
    assert (
        story.wait_until(9000)
        .at(9001, mixer=True)
        .cycle(9100, 1)
        .wait_until(13_000)
        .cycle(13_100, 2)
        .standing
        == set()
    )


def test_a_gap_begins_every_wait_anew() -> None:
    """Called at 2000 s, the panel lost from 2030 s to 2050 s: 60 s count from its return."""
    story = Story().cycle(1000, 1).at(2000, start_1=True).wait_until(2030).lost(2033)
    story.back(2050)
    assert story.wait_until(2100).raised == []
    # Whose turn it is has to be seen anew, too: the other pump shows who is missing.
    assert story.at(2101, start_2=True, run_1=True).wait_until(2200).raised == [
        "pump_2.failed_to_start"
    ]


@pytest.mark.parametrize("name", ["run_1", "run_2", "start_1", "low", "auto_1", "mains"])
def test_a_contact_that_is_not_known_raises_nothing(name: str) -> None:
    """One contact bad from the begin, while the others go through calls as ever."""
    story = Story().bad(500, name)
    for begin_s in (1000.0, 3000.0, 5000.0):
        moves = (("start_1", 0, True), ("run_1", 3, True), ("start_1", 60, False),
                 ("low", 100, False), ("run_1", 102, False), ("low", 160, True))  # fmt: skip
        for contact, after_s, state in moves:
            if contact != name:
                story.at(begin_s + after_s, **{contact: state})
    assert story.wait_until(9000).raised == []


def test_a_frozen_panel_takes_back_what_it_seemed_to_show() -> None:
    """It froze at 2010 s with the call made and no pump running; noticed after 2100 s."""
    story = Story().cycle(1000, 1).at(2000, start_1=True).wait_until(2095)
    assert story.standing == {"pump_2.failed_to_start"}
    story.lost(2100, "panel frozen", last_good_s=2010)
    assert story.standing == {"p.panel_frozen"}
    assert story.back(3000).standing == set()


def test_it_goes_on_from_its_saved_state() -> None:
    """Saved and restored between any two moves, the same findings come at the same time."""
    whole, pieces = Story(), Story()
    for story, restarts in ((whole, False), (pieces, True)):
        for k in range(5):
            story.cycle(1000.0 * (k + 1), 1)
            if restarts:
                story.restart()
        story.at(6500, start_1=True)
        if restarts:
            story.restart()
        story.wait_until(7000)
    assert whole.raised == ["sump.no_alternation", "pump_2.failed_to_start"]
    assert pieces.findings == whole.findings
