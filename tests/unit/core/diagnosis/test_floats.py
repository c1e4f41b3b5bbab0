"""Floats that contradict water; truth by the geometry of floats on one shaft."""

from __future__ import annotations

import pytest

from collector.core.diagnosis.wording import CAUTIONS
from tests.unit.core.diagnosis.stories import Story, works


def test_a_float_that_bounces_chatters() -> None:
    """Six movements within a minute, which water cannot make across a differential; over after a
    quarter of an hour of rest. What the bouncing does to the pumps is no finding of its own."""
    story = Story()
    for k in range(12):
        story.at(1000.0 + 4 * k, start_1=k % 2 == 0)
    assert story.raised == ["sump.float_start_1_chattering"]
    assert story.wait_until(1900).standing == {"sump.float_start_1_chattering"}
    assert story.wait_until(2100).standing == set()


def test_two_of_three_tell_which_float_is_wrong() -> None:
    """High is made while start-1 and start-2 hang: high; low hangs while start-1 and start-2 are
    made: low."""
    story = Story().at(1000, high=True)
    assert story.wait_until(1030).raised == ["sump.float_high_out_of_order"]
    story = Story(None, "start_1").at(900, run_1=True).at(1000, low=False, start_2=True)
    assert "sump.float_low_out_of_order" in story.wait_until(1100).raised


def test_a_float_that_stays_behind_while_the_water_comes_and_goes() -> None:
    """Start-2 makes and breaks while start-1 never stirred: start-1 is stuck open."""
    story = Story().at(1000, start_2=True).at(1003, run_1=True, run_2=True)
    assert story.raised == []
    story.at(1030, start_2=False).at(1100, low=False).at(1102, run_1=False, run_2=False)
    assert story.raised == ["sump.float_start_1_out_of_order"]
    story.at(1200, low=True)
    assert story.cycle(2000, 1).cycle(3000, 2).standing == set()


def test_a_moment_of_contradiction_is_no_finding() -> None:
    """Ripples: three seconds."""
    story = Story().at(1000, start_2=True).at(1003, start_2=False)
    assert story.wait_until(3000).raised == []


def test_doubted_floats_keep_everything_else_quiet() -> None:
    """Low stuck open: start-1, start-2 and high make, no pump may run; only low is named, and the
    high water, which is there."""
    story = Story().at(500, low=False).at(1000, start_1=True).at(1600, start_2=True)
    story.at(2200, high=True).wait_until(6000)
    assert story.raised == ["sump.float_low_out_of_order", "sump.high_water"]


def test_a_stop_float_that_stays_made_while_pumps_run() -> None:
    """Without estimates an hour of running that leaves it made is too long; 50 min are not."""
    plant = works(floats=("start_1", "start_2", "high"))
    story = Story(plant).at(1000, start_1=True).at(1003, run_1=True)
    assert story.wait_until(1000 + 3000).raised == []
    assert story.wait_until(1000 + 3700).raised == ["sump.not_emptied"]
    assert story.at(6000, start_1=False).at(6002, run_1=False).standing == set()


def test_water_at_the_high_float() -> None:
    """30 s at the high float, in order with the others."""
    story = Story(None, "start_1").at(900, run_1=True).at(1000, start_2=True, run_2=True)
    story.at(1500, high=True)
    assert story.wait_until(1600).raised == ["sump.high_water"]
    assert story.at(1700, high=False).standing == set()


@pytest.mark.parametrize("role", ["low", "start_1", "start_2", "high"])
def test_a_float_that_is_not_known_is_not_out_of_order(role: str) -> None:
    """Whatever the others do meanwhile in good order."""
    story = Story().bad(500, role)
    moves = {"start_1": True, "run_1": True, "start_2": True, "run_2": True}
    moves.pop(role, None)
    for k, (name, state) in enumerate(moves.items()):
        story.at(1000.0 + 10 * k, **{name: state})
    assert not any("float" in subject for subject in story.wait_until(1100).raised)


def test_every_caution_that_is_named_is_said_in_full_somewhere() -> None:
    """The cautions of any finding stand in the table, with their sources."""
    story = Story().at(1000, high=True).wait_until(1100)
    text = story.finding("sump.float_high_out_of_order").text
    named = text.rpartition("Caution: ")[2].removesuffix(".").split("; ")
    assert named == ["confined space", "hydrogen sulphide"]
    assert all(name in CAUTIONS for name in named)
    assert "29 CFR 1910.146" in CAUTIONS["confined space"]
    assert "29 CFR 1910.147" in CAUTIONS["isolate, lock out, verify"]
