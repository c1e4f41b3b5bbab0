"""The life of one alarm, story by story.

States and transitions: IEC 62682 and ANSI/ISA-18.2, quoted from secondary sources: unacknowledged
then clears is returned-to-normal unacknowledged; that acknowledged is normal; raised again it is
unacknowledged, a second activation.
"""

from __future__ import annotations

import pytest

from collector.core.alarms.rule import Happens, Missing
from collector.core.alarms.states import LATCHING, TRANSITIONS, State, next_state, table_text
from tests.unit.core.alarms.one_alarm import Live, rule


def test_raised_acknowledged_cleared_is_normal() -> None:
    """The plain way."""
    live = Live(rule())
    assert live.at(0, sump__high=False) == []
    assert live.at(10, sump__high=True) == ["raised"]
    assert live.state == "unacknowledged"
    assert live.act("acknowledge")
    assert live.state == "acknowledged"
    assert live.at(20, sump__high=False) == ["cleared"]
    assert live.state == "normal"


def test_what_clears_unacknowledged_waits_for_acknowledgement() -> None:
    """Returned to normal, unacknowledged; raised again before, it is a second activation."""
    live = Live(rule())
    live.at(0, sump__high=True)
    live.at(10, sump__high=False)
    assert live.state == "returned unacknowledged"
    live.at(20, sump__high=True)
    assert (live.state, live.alarm.standing.activation) == ("unacknowledged", 2)
    live.at(30, sump__high=False)
    assert live.act("acknowledge")
    assert live.state == "normal"
    assert not live.act("acknowledge")


def test_the_on_delay_lets_pass_what_is_short() -> None:
    """Raised at the end of the delay, and only if it has held throughout."""
    live = Live(rule(on_s=10))
    live.at(0, sump__high=True)
    live.at(9, sump__high=False)
    live.at(12, sump__high=True)
    assert live.at(30) == ["raised"]
    assert live.told == [(22.0, "raised", "unacknowledged")]


def test_the_off_delay_keeps_it_standing() -> None:
    """Cleared when it has not held for so long."""
    live = Live(rule(off_s=10))
    live.at(0, sump__high=True)
    live.at(5, sump__high=False)
    live.at(10, sump__high=True)
    live.at(12, sump__high=False)
    live.at(60)
    assert [told[:2] for told in live.told] == [(0.0, "raised"), (22.0, "cleared")]


def test_unknown_neither_raises_nor_clears() -> None:
    """A delay that ran is abandoned; a standing alarm stands on, and that nobody knows is told."""
    live = Live(rule(on_s=10))
    live.at(0, sump__high=True)
    live.at(5, sump__high=None)
    assert live.at(60) == []
    live.at(60, sump__high=True)
    assert live.at(80) == ["raised"]
    assert live.at(90, sump__high=None) == ["became unknown"]
    assert live.state == "unacknowledged"
    assert live.at(100, sump__high=True) == ["became known"]
    assert live.at(110, sump__high=None) == ["became unknown"]
    assert live.at(120, sump__high=False) == ["cleared"]


def test_a_normal_alarm_tells_nothing_of_what_is_unknown() -> None:
    """Where nothing stands there is nothing to tell; the link's own alarm says why."""
    live = Live(rule())
    live.at(0, sump__high=False)
    assert live.at(10, sump__high=None) == []
    assert live.at(20, sump__high=False) == []


def test_latched_stays_until_it_is_reset() -> None:
    """The latched forms of the standard's diagram."""
    live = Live(rule(latching=True))
    live.at(0, sump__high=True)
    assert not live.act("reset")
    live.at(10, sump__high=False)
    assert live.state == "latched unacknowledged"
    live.act("acknowledge")
    assert live.state == "latched acknowledged"
    live.at(20, sump__high=True)
    assert live.state == "unacknowledged"
    live.act("acknowledge")
    live.at(30, sump__high=False)
    assert live.state == "latched acknowledged"
    assert live.act("reset")
    assert live.state == "normal"


def test_a_shelf_has_an_end() -> None:
    """It comes back by itself, unacknowledged where its condition still holds."""
    live = Live(rule())
    live.at(0, sump__high=True)
    live.act("acknowledge")
    assert live.act("shelve", until_s=100)
    assert live.state == "shelved"
    assert live.at(99) == []
    assert live.at(100) == ["shelving ended"]
    assert (live.state, live.alarm.standing.activation) == ("unacknowledged", 1)


def test_what_happens_beneath_a_cover_is_told() -> None:
    """The auditor sees that the condition began and ended while the alarm was shelved."""
    live = Live(rule())
    live.at(0, sump__high=False)
    live.act("shelve", until_s=100)
    assert live.at(10, sump__high=True) == ["raised"]
    assert live.state == "shelved"
    assert live.at(20, sump__high=False) == ["cleared"]
    assert live.act("unshelve")
    assert live.state == "normal"


def test_suppression_by_design_has_its_reason_and_its_end() -> None:
    """While the supply is out the alarm is suppressed; afterwards it is as its condition says."""
    live = Live(rule(suppressed_by="mains.out"))
    live.at(0, sump__high=False, mains__out=False)
    assert live.at(5, mains__out=True) == ["suppressed"]
    assert live.at(6, sump__high=True) == ["raised"]
    assert live.state == "suppressed by design"
    assert live.at(7, mains__out=None) == []
    assert live.at(8, mains__out=False) == ["suppression ended"]
    assert live.state == "unacknowledged"


def test_out_of_service_goes_before_shelved_and_that_before_suppressed() -> None:
    """Each cover that goes uncovers the next."""
    live = Live(rule(suppressed_by="mains.out"))
    live.at(0, sump__high=True, mains__out=True)
    live.act("shelve", until_s=1000)
    live.act("out_of_service")
    assert live.state == "out of service"
    assert not live.act("shelve", until_s=2000)
    live.act("return_to_service")
    assert live.state == "shelved"
    live.act("unshelve")
    assert live.state == "suppressed by design"
    live.at(10, mains__out=False)
    assert live.state == "unacknowledged"


@pytest.mark.parametrize(
    ("seconds", "chatters"), [((0, 20, 50), True), ((0, 20, 61), False), ((0, 20, 60), True)]
)
def test_three_in_a_minute_chatter(seconds: tuple[int, ...], chatters: bool) -> None:
    """Three or more in one minute: the screening convention quoted with ISA-18.2."""
    live = Live(rule())
    marks: list[bool] = []
    for second in seconds:
        live.at(second)
        live.board.values["sump.high"] = True
        (move,) = live.alarm.look(live.board, live.now_us, live.now_us)
        marks.append(move.details.get("chattering") is True)
        live.at(second + 1, sump__high=False)
    assert marks == [False, False, chatters]


def test_more_than_twice_in_a_minute() -> None:
    """Counts what came true; the alarm ends when the window has passed the first of them."""
    live = Live(rule(shape=Happens(2, 60_000_000)))
    for second in (0, 10, 20, 30):
        live.at(second, sump__high=False)
        live.at(second + 5, sump__high=True)
    assert [told[:2] for told in live.told] == [(25.0, "raised")]
    live.at(200)
    assert [told[:2] for told in live.told] == [(25.0, "raised"), (75.0, "cleared")]


def test_an_unknown_time_hides_happenings_and_makes_none() -> None:
    """What came true after a gap was not seen to come true."""
    live = Live(rule(shape=Happens(1, 60_000_000)))
    live.at(0, sump__high=False)
    live.at(5, sump__high=True)
    live.at(10, sump__high=None)
    live.at(15, sump__high=True)
    assert live.told == []


def test_missing_for_a_time() -> None:
    """Raised when it has not been true for so long; unknown time begins it anew."""
    live = Live(rule(shape=Missing(100_000_000)))
    live.at(0, sump__high=False)
    live.at(50, sump__high=True)
    live.at(60, sump__high=False)
    live.at(100, sump__high=None)
    live.at(110, sump__high=False)
    assert live.at(209) == []
    assert live.at(211) == ["raised"]
    assert live.told[-1][0] == 210.0
    assert live.at(300, sump__high=True) == ["cleared"]


def test_the_bracket_goes_back_to_the_change_not_to_the_delay() -> None:
    """Since when it may have been so is what the auditor asks."""
    live = Live(rule(on_s=10))
    live.board.values["sump.high"] = True
    assert live.alarm.look(live.board, 3_000_000, 5_000_000) == []
    (move,) = live.alarm.wake(15_000_000)
    assert (move.after_us, move.by_us) == (3_000_000, 15_000_000)


def test_only_listed_transitions_exist_and_every_state_can_be_left() -> None:
    """The standard's table: eleven moves of what is not covered, two of the latched forms."""
    assert len(TRANSITIONS) == 11
    assert len(LATCHING) == 2
    assert next_state(State.NORMAL, "acknowledged", latching=False) is None
    plain = {state for state, _ in TRANSITIONS}
    assert set(TRANSITIONS.values()) <= plain
    assert "| unacknowledged | cleared | returned unacknowledged |" in table_text()
