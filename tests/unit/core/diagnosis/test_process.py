"""Supply, air, filter and dosing; truth by what the plant file and the contacts say."""

from __future__ import annotations

from tests.unit.core.diagnosis.stories import Story, works


def test_mains_that_fail_explain_what_stands() -> None:
    """No voltage is the one finding; nothing else is said of what it stops."""
    story = Story(None, "blower_1").at(1000, mains=False, blower_1=False).at(1010, start_1=True)
    assert story.wait_until(9000).raised == ["supply.no_voltage"]
    assert story.at(9100, mains=True).standing == set()


def test_a_panel_that_does_not_answer_for_a_quarter_of_an_hour() -> None:
    """Minutes are no finding, nor is our own stop, nor a visitor who is away."""
    story = Story().wait_until(100).lost(103)
    assert story.wait_until(900).raised == []
    assert story.wait_until(1100).raised == ["p.not_answering"]
    assert story.back(2000).standing == set()
    for reason in ("collector stopped", "panel away", "journal full"):
        assert Story().wait_until(100).lost(103, reason).wait_until(9000).raised == []


def test_air_that_stays_away_longer_than_it_ever_does() -> None:
    """Pauses of 20 min six times; then none of the blowers for an hour."""
    story = Story(None, "blower_1")
    for k in range(6):
        story.at(3600.0 * k + 1200, blower_1=False).at(3600.0 * k + 2400, blower_1=True)
    story.at(30_000, blower_1=False)
    assert story.wait_until(33_500).raised == []
    assert story.wait_until(33_700).raised == ["blowers.stands_still"]
    assert "aeration" in story.finding("blowers.stands_still").text
    assert story.at(34_000, blower_2=True).standing == set()


def test_two_blowers_where_one_is_needed() -> None:
    """An overlap of a minute is a changeover; a quarter of an hour is not."""
    story = Story(None, "blower_1").at(100, blower_2=True).at(160, blower_1=False)
    assert story.wait_until(3000).raised == []
    story.at(3001, blower_1=True)
    assert story.wait_until(4000).raised == ["blowers.more_run_than_needed"]
    assert story.at(4100, blower_2=False).standing == set()


def test_a_cleaning_that_does_not_end() -> None:
    """The plant file allows 8 min."""
    story = Story().at(1000, cleaning=True).at(1300, cleaning=False).at(2000, cleaning=True)
    assert story.wait_until(2000 + 475).raised == []
    assert story.wait_until(2000 + 490).raised == ["filter.cleaning_does_not_end"]
    assert story.at(2600, cleaning=False).standing == set()


def test_a_cleaning_that_is_called_and_does_not_begin() -> None:
    """The level has called for ten minutes; the finding ends with a cleaning."""
    story = Story().at(1000, filter_level=True)
    assert story.wait_until(1590).raised == []
    assert story.wait_until(1620).raised == ["filter.cleaning_does_not_begin"]
    story.at(1700, filter_level=False)
    assert story.standing == {"filter.cleaning_does_not_begin"}
    assert story.at(1800, cleaning=True).standing == set()


def test_dosing_that_goes_apart_from_the_water() -> None:
    """A quarter of an hour of water without dosing, and of dosing without water; with hypochlorite
    the caution names chlorine."""
    story = Story(works(doses=True), "start_1").at(100, run_1=True).wait_until(1100)
    assert "hypo.does_not_dose" in story.raised
    assert "chlorine" in story.finding("hypo.does_not_dose").text
    assert "hypo.does_not_dose" not in story.at(1200, dosing=True).standing
    story = Story(works(doses=True)).at(100, dosing=True)
    assert story.wait_until(990).raised == []
    assert story.wait_until(1010).raised == ["hypo.doses_without_flow"]


def test_a_low_day_tank() -> None:
    """After a minute, so that ripples are none."""
    story = Story().at(100, tank_low=True).at(120, tank_low=False).at(200, tank_low=True)
    assert story.wait_until(255).raised == []
    assert story.wait_until(270).raised == ["hypo.tank_low"]
