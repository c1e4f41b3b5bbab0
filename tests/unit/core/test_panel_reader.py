"""The rules at the head of ``panel_reader.py``, one by one, on scripted scans.

Expected instants follow from the script: block ``i`` of a scan at ``t`` is asked at ``t + 10 i`` ms
and answers 10 ms later, so a change first seen in block 0 at 5 s and last not seen at 4 s lies in
(4.00, 5.01]. Silence before a panel is lost: three scan periods, here 3 s, unless the test says
otherwise.
"""

from __future__ import annotations

from typing import Any

import pytest

from collector.core.decode import Decoded
from collector.core.records import (
    AWAY,
    COLLECTOR_STOPPED,
    FROZEN,
    JOURNAL_FULL,
    OUT_OF_RANGE,
    Input,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
)
from tests.unit.core.scans_for_tests import COIL, HOLDING, INPUT, REGISTER, Bench, us

RUN = {"run": {"table": "discrete-input", "address": 0}}
TWO = {**RUN, "level": {"table": "input-register", "address": 0}}  # two blocks
GOOD, BAD = Quality.GOOD, Quality.BAD


def changed(point: str, value: Any, after_s: float, by_s: float, reason: str = "") -> PointChanged:
    quality = BAD if reason else GOOD
    return PointChanged(f"p.{point}", value, quality, reason, us(after_s), us(by_s))


def started(points: dict[str, dict[str, Any]], **panel: Any) -> Bench:
    """A bench that has taken its first scan, at 0 s; all is 0 or open."""
    bench = Bench(points, **panel)
    bench.scan(0.0)
    return bench


def quiet(bench: Bench, first_s: int, last_s: int, step_s: int = 1) -> None:
    """Scans that bring nothing."""
    for at_s in range(first_s, last_s + 1, step_s):
        assert bench.scan(at_s) == [], f"at {at_s} s"


# --- changes and their brackets -----------------------------------------------------------------


def test_the_first_scan_tells_everything_and_knows_nothing_of_before() -> None:
    """At the first read each point is told once, with no bracket; then the panel is there."""
    bench = Bench(TWO)
    bench.image.put(REGISTER, 0, 7)
    assert bench.scan(0.0) == [
        changed("run", False, 0.02, 0.02),
        changed("level", 7.0, 0.02, 0.02),
        PanelReturned("p", us(0.02)),
    ]
    quiet(bench, 1, 5)


def test_a_change_lies_between_the_last_old_request_and_the_first_new_reply() -> None:
    """Of each block by itself: block 1 is asked 10 ms after block 0."""
    bench = started(TWO)
    quiet(bench, 1, 4)
    bench.image.put(INPUT, 0, 1)
    bench.image.put(REGISTER, 0, 9)
    assert bench.scan(5) == [
        changed("run", True, 4.00, 5.01),
        changed("level", 9.0, 4.01, 5.02),
    ]
    quiet(bench, 6, 8)


def test_only_points_whose_registers_moved_are_told() -> None:
    """A neighbour in the same byte, or an unused bit, changes nothing."""
    bench = started({f"c{n}": {"table": "coil", "address": n} for n in (0, 1, 9)},
                    bridged_gap={"bits": 20})  # fmt: skip
    bench.image.put(COIL, 9, 1)
    bench.image.put(COIL, 5, 1)
    assert bench.scan(1) == [changed("c9", True, 0.0, 1.01)]


def test_a_failed_scan_in_between_only_widens_the_bracket() -> None:
    """Two scans without an answer, the silence not yet full: no loss, and no claim to know more."""
    bench = started(RUN)
    quiet(bench, 1, 1)
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(2, fail="no reply") == []
    assert bench.scan(3, fail="no reply") == []
    assert bench.scan(3.9) == [changed("run", True, 1.0, 3.91)]


def test_plant_time_may_begin_at_zero() -> None:
    """An instant of zero is an instant like any other."""
    bench = Bench(RUN)
    assert len(bench.scan(0.0)) == 2
    assert bench.reader.last_good_us == 0
    assert bench.reader.lost_reason is None


# --- loss and return ----------------------------------------------------------------------------


def test_a_lost_panel_is_one_event_however_many_scans_fail() -> None:
    """Lost from its last good read on, noticed when the silence is full; then nothing more."""
    bench = started(TWO)
    quiet(bench, 1, 4)
    found: list[Input] = []
    for at_s in range(5, 60):
        found += bench.scan(at_s, fail="no reply")
        found += bench.tick(at_s + 0.5)
    assert found == [PanelLost("p", "no reply", us(4.0), us(7.02))]
    assert bench.reader.lost_reason == "no reply"
    assert bench.reader.next_deadline_us() is None


def test_silence_is_noticed_without_any_scan() -> None:
    """If no scan comes at all, the tick at the deadline notices."""
    bench = started(RUN)
    quiet(bench, 1, 2)
    assert bench.reader.next_deadline_us() == us(5.0)
    assert bench.tick(4.99) == []
    assert bench.tick(5.0) == [PanelLost("p", "no reply", us(2.0), us(5.0))]
    assert bench.tick(6.0) == []


def test_the_reason_is_that_of_the_last_scan_that_failed() -> None:
    """A reason from before the last answer is history."""
    bench = started(RUN)
    bench.scan(1, fail="malformed reply")
    quiet(bench, 2, 3)
    assert bench.tick(6.0) == [PanelLost("p", "no reply", us(3.0), us(6.0))]
    bench = started(RUN)
    bench.scan(1, fail="no reply")
    bench.scan(2, fail="exception 06")
    assert bench.tick(3.0) == [PanelLost("p", "exception 06", us(0.0), us(3.0))]


def test_the_return_tells_differences_first_and_then_the_return() -> None:
    """What stayed as it was is not told again; what changed, from its own last good read on."""
    bench = started({**TWO, "fault": {"table": "discrete-input", "address": 1}})
    quiet(bench, 1, 4)
    for at_s in (5, 6, 7):
        bench.scan(at_s, fail="no connection")
    bench.image.put(INPUT, 1, 1)
    assert bench.scan(30) == [
        changed("fault", True, 4.0, 30.02),
        PanelReturned("p", us(30.02)),
    ]
    quiet(bench, 31, 33)


def test_a_return_without_differences_is_only_a_return() -> None:
    """The gap is known from the loss and the return; nothing else happened."""
    bench = started(TWO)
    for at_s in (1, 2, 3):
        bench.scan(at_s, fail="no reply")
    assert bench.scan(4) == [PanelReturned("p", us(4.02))]


@pytest.mark.parametrize("code", ["01", "02", "03", "04", "05", "06", "08", "0A", "0B"])
def test_a_panel_that_answers_every_read_with_an_exception_is_lost(code: str) -> None:
    """The codes of V1.1b3 section 7: an exception is no value, whichever it is."""
    bench = started(TWO)
    found = [change for at_s in range(1, 9) for change in bench.scan(at_s, f"exception {code}")]
    assert found == [PanelLost("p", f"exception {code}", us(0.0), us(3.02))]


def test_a_block_that_fails_while_others_answer_is_lost_by_its_points_once() -> None:
    """The panel is there; these points are not. They come back with what they are then."""
    bench = started(TWO)
    bench.image.put(REGISTER, 0, 5)
    assert bench.scan(1) == [changed("level", 5.0, 0.01, 1.02)]
    found = [
        change for at_s in range(2, 20) for change in bench.scan(at_s, blocks={1: "exception 02"})
    ]
    assert found == [changed("level", None, 1.01, 4.02, "exception 02")]
    assert bench.reader.lost_reason is None
    assert bench.scan(20) == [changed("level", 5.0, 20.02, 20.02)]
    quiet(bench, 21, 23)


def test_the_other_blocks_go_on_while_one_fails() -> None:
    """A contact in a healthy block keeps its one-scan bracket."""
    bench = started(TWO)
    for at_s in range(1, 9):
        bench.scan(at_s, blocks={1: "exception 04"})
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(9, blocks={1: "exception 04"}) == [changed("run", True, 8.0, 9.01)]
    assert bench.reader.last_good_us == us(9.0)


def test_what_is_known_of_a_panel_ends_with_its_oldest_block() -> None:
    """While a block fails but is not lost yet, the panel's knowledge ends with it."""
    bench = started(TWO)
    quiet(bench, 1, 3)
    bench.scan(4, blocks={1: "no reply"})
    assert bench.reader.last_good_us == us(3.01)


def test_a_block_missing_on_the_return_is_lost_before_the_panel_is_back() -> None:
    """ "As before" must not be said of points that nobody has read."""
    bench = started(TWO)
    for at_s in (1, 2, 3):
        bench.scan(at_s, fail="no reply")
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(4, blocks={1: "exception 04"}) == [
        changed("run", True, 0.0, 4.02),
        changed("level", None, 0.01, 4.02, "exception 04"),
        PanelReturned("p", us(4.02)),
    ]


def test_a_block_that_never_answered_is_told_as_unknown_once() -> None:
    """An address the panel does not have, from the first scan on."""
    bench = Bench(TWO)
    found = [change for at_s in range(9) for change in bench.scan(at_s, blocks={1: "exception 02"})]
    assert found == [
        changed("run", False, 0.02, 0.02),
        PanelReturned("p", us(0.02)),
        changed("level", None, 0.0, 3.02, "exception 02"),
    ]


# --- away ---------------------------------------------------------------------------------------


def test_a_panel_away_at_start_says_so_once() -> None:
    """Nothing is known from the beginning; nobody hears it twice."""
    bench = Bench(RUN, start_s=100.0)
    found: list[Input] = []
    for at_s in range(100, 160):
        found += bench.scan(at_s, fail="no connection") + bench.tick(at_s + 0.5)
    assert found == [PanelLost("p", "no connection", us(100.0), us(103.01))]


def test_that_nobody_has_asked_yet_is_no_finding_about_the_panel() -> None:
    """A first scan that takes longer than the silence allows loses nothing, and asks no ticks."""
    bench = Bench(RUN)
    assert bench.reader.next_deadline_us() is None
    assert bench.tick(60.0) == []
    assert bench.scan(61.0) == [changed("run", False, 61.01, 61.01), PanelReturned("p", us(61.01))]


@pytest.mark.parametrize("reason", ["no reply", "no connection", "exception 0B"])
def test_a_visiting_panel_that_is_not_there_is_away(reason: str) -> None:
    """0B is a gateway's word for a device that is not present (V1.1b3 section 7, from memory)."""
    bench = started(RUN, visits=True)
    found = [change for at_s in range(1, 9) for change in bench.scan(at_s, fail=reason)]
    assert found == [PanelLost("p", AWAY, us(0.0), us(3.01))]
    assert bench.scan(9) == [PanelReturned("p", us(9.01))]


def test_a_visiting_panel_that_answers_wrongly_is_not_away() -> None:
    """It is there, and something is wrong with it."""
    bench = started(RUN, visits=True)
    found = [change for at_s in range(1, 9) for change in bench.scan(at_s, fail="malformed reply")]
    assert found == [PanelLost("p", "malformed reply", us(0.0), us(3.01))]


# --- frozen -------------------------------------------------------------------------------------

BEATING: dict[str, dict[str, Any]] = {
    **RUN, "heart": {"table": "input-register", "address": 0}
}  # fmt: skip


def beat(bench: Bench, first_s: int, last_s: int) -> list[Input]:
    """Scans each second with a heartbeat that moves."""
    found = []
    for at_s in range(first_s, last_s + 1):
        bench.image.put(REGISTER, 0, at_s)
        found += bench.scan(at_s)
    return found


def test_a_heartbeat_that_stands_still_is_a_frozen_panel() -> None:
    """Seen to move at 20.02 s, lost at 30.02 s, once, from the read before its last beat on; back
    with the next beat. Other contacts may flicker meanwhile: without a beat they prove nothing."""
    bench = started(BEATING, frozen={"heartbeat": "p.heart", "after_s": 10})
    assert beat(bench, 1, 20) == [], "its own figures are no news"
    found: list[Input] = []
    for at_s in range(21, 60):
        bench.image.put(INPUT, 0, int(at_s > 35))
        found += bench.scan(at_s)
    assert found == [PanelLost("p", FROZEN, us(19.0), us(30.02))]
    bench.image.put(REGISTER, 0, 999)
    assert bench.scan(60) == [
        changed("run", True, 19.0, 60.02),
        PanelReturned("p", us(60.02)),
    ]


def test_a_heartbeat_that_cannot_be_read_does_not_stand_still() -> None:
    """The block with the heartbeat fails: its points are lost, the panel is not frozen."""
    bench = started(BEATING, frozen={"heartbeat": "p.heart", "after_s": 10})
    found = [
        change for at_s in range(1, 60) for change in bench.scan(at_s, blocks={1: "exception 04"})
    ]
    assert found == [changed("heart", None, 0.01, 3.02, "exception 04")]
    assert bench.scan(60) == [changed("heart", 0.0, 60.02, 60.02)]


def test_without_a_heartbeat_total_stillness_is_frozen() -> None:
    """Any register that moves shows life."""
    bench = started(TWO, frozen={"after_s": 10})
    for at_s in range(1, 40):
        bench.image.put(REGISTER, 0, at_s // 9)
        assert all(isinstance(change, PointChanged) for change in bench.scan(at_s))
    found = [change for at_s in range(40, 60) for change in bench.scan(at_s)]
    assert found == [PanelLost("p", FROZEN, us(35.0), us(46.02))]
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(60) == [changed("run", True, 35.0, 60.02), PanelReturned("p", us(60.02))]


def test_a_frozen_panel_stays_frozen_through_a_dead_link() -> None:
    """It comes back with the same figures: still no life."""
    bench = started(TWO, frozen={"after_s": 5})
    assert [type(c) for at_s in range(1, 9) for c in bench.scan(at_s)] == [PanelLost]
    for at_s in range(9, 30):
        assert bench.scan(at_s, fail="no reply") == []
    assert bench.scan(30) == []
    assert bench.reader.lost_reason == FROZEN


# --- debounce -----------------------------------------------------------------------------------


def debounced(**debounce: Any) -> Bench:
    return started({"float": {"table": "discrete-input", "address": 0, **debounce}})


def test_debounce_in_scans_keeps_the_bracket_of_the_move() -> None:
    """Seen in three scans running, it has moved; where, the first of them says."""
    bench = debounced(debounce_scans=3)
    quiet(bench, 1, 4)
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(5) == []
    assert bench.scan(6) == []
    assert bench.scan(7) == [changed("float", True, 4.0, 5.01)]
    quiet(bench, 8, 12)


def test_debounce_in_seconds_keeps_the_bracket_of_the_move() -> None:
    """2.5 s after it was first seen, the next scan says so."""
    bench = debounced(debounce_s=2.5)
    bench.image.put(INPUT, 0, 1)
    assert [bench.scan(at_s) for at_s in (1, 2, 3)] == [[], [], []]
    assert bench.scan(4) == [changed("float", True, 0.0, 1.01)]


@pytest.mark.parametrize("debounce", [{"debounce_scans": 3}, {"debounce_s": 1.5}])
def test_chatter_shorter_than_the_debounce_leaves_nothing(debounce: dict[str, Any]) -> None:
    """Two scans on, one off, for an hour: no change; then it stays, and is told once."""
    bench = debounced(**debounce)
    for at_s in range(1, 3601):
        bench.image.put(INPUT, 0, int(at_s % 3 > 0))
        assert bench.scan(at_s) == []
    bench.image.put(INPUT, 0, 1)
    found = [change for at_s in range(3601, 3610) for change in bench.scan(at_s)]
    assert found == [changed("float", True, 3600.0, 3601.01)]


def test_until_a_debounce_is_over_the_contact_is_known_only_up_to_its_move() -> None:
    """Lost in the middle of it, the panel is lost from the move on."""
    bench = debounced(debounce_s=60.0)
    quiet(bench, 1, 4)
    bench.image.put(INPUT, 0, 1)
    for at_s in range(5, 20):
        assert bench.scan(at_s) == []
        assert bench.reader.last_good_us == us(4.0)
    found = [change for at_s in range(20, 30) for change in bench.scan(at_s, fail="no reply")]
    assert found == [PanelLost("p", "no reply", us(4.0), us(22.01))]


def test_a_contact_lost_with_its_block_in_the_middle_of_a_debounce() -> None:
    """It is known up to its move, its neighbours up to the last read."""
    bench = started({"float": {"table": "discrete-input", "address": 0, "debounce_s": 60.0},
                     "other": {"table": "discrete-input", "address": 1},
                     "level": {"table": "input-register", "address": 0}})  # fmt: skip
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(1) == []
    assert bench.scan(2) == []
    found = [change for at_s in range(3, 8) for change in bench.scan(at_s, blocks={0: "no reply"})]
    assert found == [
        changed("float", None, 0.0, 5.01, "no reply"),
        changed("other", None, 2.0, 5.01, "no reply"),
    ]


def test_the_first_sight_of_a_contact_needs_no_debounce() -> None:
    """There is nothing yet that it could have moved from."""
    bench = Bench({"float": {"table": "discrete-input", "address": 0, "debounce_scans": 9}})
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(0)[0] == changed("float", True, 0.01, 0.01)


def test_a_contact_that_moved_during_a_gap_is_debounced_after_it() -> None:
    """The bracket reaches back over the gap: nobody saw when."""
    bench = debounced(debounce_scans=2)
    for at_s in (1, 2, 3):
        bench.scan(at_s, fail="no reply")
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(4) == [PanelReturned("p", us(4.01))]
    assert bench.scan(5) == [changed("float", True, 0.0, 4.01)]


# --- readings -----------------------------------------------------------------------------------


def reading(**more: Any) -> Bench:
    return started({"x": {"table": "holding-register", "address": 0, **more}})


def test_a_deadband_is_measured_from_what_was_told() -> None:
    """Steps of 4 against a deadband of 10: told at 12, then at 24, not lost in small steps."""
    bench = reading(deadband=10.0)
    told = []
    for at_s in range(1, 8):
        bench.image.put(HOLDING, 0, 4 * at_s)
        told += [change.value for change in bench.scan(at_s) if isinstance(change, PointChanged)]
    assert told == [12.0, 24.0]


def test_a_deadband_never_hides_a_change_of_quality() -> None:
    """Out of range, and back to nearly what it was: both are told."""
    bench = reading(deadband=50.0, valid_range={"low": 0.0, "high": 100.0})
    bench.image.put(HOLDING, 0, 101)
    assert bench.scan(1) == [changed("x", None, 0.0, 1.01, OUT_OF_RANGE)]
    bench.image.put(HOLDING, 0, 1)
    assert bench.scan(2) == [changed("x", 1.0, 2.01, 2.01)]


def test_the_change_of_an_enumeration_from_an_unlisted_state_keeps_its_bracket() -> None:
    """A state without a word was seen all the same."""
    bench = reading(states={0: "off", 1: "auto"})
    bench.image.put(HOLDING, 0, 7)
    (unlisted,) = bench.scan(1)
    assert isinstance(unlisted, PointChanged)
    assert unlisted.quality is Quality.UNCERTAIN
    bench.image.put(HOLDING, 0, 1)
    assert bench.scan(2) == [changed("x", 1, 1.0, 2.01)]


def test_a_reading_is_told_again_after_its_longest_silence() -> None:
    """Nothing moves for 25 s, and every 10 s it is told that nothing has."""
    bench = reading(longest_silence_s=10.0)
    bench.image.put(HOLDING, 0, 3)
    bench.scan(1)
    told = [change for at_s in range(2, 26) for change in bench.scan(at_s)]
    assert told == [changed("x", 3.0, 11.0, 11.0), changed("x", 3.0, 21.0, 21.0)]


def test_the_longest_silence_tells_what_a_deadband_held_back() -> None:
    """The figure of now, not the one last told."""
    bench = reading(longest_silence_s=10.0, deadband=5.0)
    bench.image.put(HOLDING, 0, 4)
    told = [change for at_s in range(1, 15) for change in bench.scan(at_s)]
    assert told == [changed("x", 4.0, 10.0, 10.0)]


def test_a_lost_reading_is_not_told_again() -> None:
    """What is not known cannot be repeated."""
    bench = reading(longest_silence_s=5.0)
    found: list[Input] = []
    for at_s in range(1, 40):
        found += bench.scan(at_s, fail="no reply") + bench.tick(at_s + 0.5)
    assert found == [PanelLost("p", "no reply", us(0.0), us(3.01))]


# --- known from before --------------------------------------------------------------------------


def resumed(known: dict[str, Decoded], points: dict[str, dict[str, Any]] = TWO) -> Bench:
    """Started at 100 s, with what was known up to 40 s."""
    return Bench(points, 100.0, {f"p.{name}": value for name, value in known.items()}, 40.0)


def test_after_a_restart_only_differences_are_told() -> None:
    """The contact moved while we were away: between 40 s and now."""
    bench = resumed({"run": Decoded(True), "level": Decoded(0.0)})
    assert bench.reader.lost_reason == COLLECTOR_STOPPED
    assert bench.scan(100.5) == [
        changed("run", False, 40.0, 100.52),
        PanelReturned("p", us(100.52)),
    ]


def test_after_a_restart_what_was_bad_and_stays_bad_is_not_told() -> None:
    """A reading out of range before and after is no news."""
    points = {"x": {"table": "holding-register", "address": 0,
                    "valid_range": {"low": 1.0, "high": 2.0}}}  # fmt: skip
    bench = resumed({"x": Decoded(None, BAD, OUT_OF_RANGE)}, points)
    assert bench.scan(101) == [PanelReturned("p", us(101.01))]


def test_after_a_restart_a_panel_that_is_away_says_so_once() -> None:
    """Its points are known up to 40 s; the silence counts from the start."""
    bench = resumed({"run": Decoded(True), "level": Decoded(0.0)})
    found: list[Input] = []
    for at_s in range(100, 120):
        found += bench.scan(at_s, fail="no reply") + bench.tick(at_s + 0.5)
    assert found == [PanelLost("p", "no reply", us(40.0), us(103.02))]


def test_after_a_restart_a_still_reading_keeps_its_longest_silence() -> None:
    """Known up to 40 s and unchanged since: due at once."""
    points = {"x": {"table": "holding-register", "address": 0, "longest_silence_s": 30.0}}
    bench = resumed({"x": Decoded(0.0)}, points)
    bench.scan(100)
    assert bench.scan(101) == [changed("x", 0.0, 101.0, 101.0)]


def test_after_a_restart_an_unread_block_is_not_known_again() -> None:
    """One block answers, the other not yet: what is known of the panel still ends with the stop."""
    known = {"p.run": Decoded(False), "p.level": Decoded(0.0)}
    bench = Bench(TWO, 100.0, known, 99.5)
    assert bench.scan(100.0, blocks={1: "no reply"}) == [PanelReturned("p", us(100.02))]
    assert bench.reader.last_good_us == us(99.5)
    assert bench.scan(101.0) == []
    assert bench.reader.last_good_us == us(101.0)


# --- a pause of our own -------------------------------------------------------------------------


def test_a_pause_of_our_own_ends_with_the_next_scan() -> None:
    """Lost for our reason, from the last good read; told once; back with the differences."""
    bench = started(RUN)
    quiet(bench, 1, 3)
    assert bench.reader.lose(JOURNAL_FULL, us(3.5)) == [
        PanelLost("p", JOURNAL_FULL, us(3.0), us(3.5))
    ]
    assert bench.reader.lose(JOURNAL_FULL, us(3.6)) == []
    assert bench.tick(9999.0) == []
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(10_000) == [
        changed("run", True, 3.0, 10_000.01),
        PanelReturned("p", us(10_000.01)),
    ]


def test_a_panel_that_died_during_a_pause_of_our_own_is_lost_by_its_own_reason() -> None:
    """As soon as it has been asked and does not answer; once."""
    bench = started(RUN)
    bench.reader.lose(JOURNAL_FULL, us(0.5))
    found = [change for at_s in range(100, 120) for change in bench.scan(at_s, fail="no reply")]
    assert found == [PanelLost("p", "no reply", us(0.0), us(100.01))]


def test_a_pause_of_our_own_hides_no_loss() -> None:
    """A panel lost before stays lost for the reason it was."""
    bench = started(RUN)
    for at_s in (1, 2, 3):
        bench.scan(at_s, fail="no reply")
    assert bench.reader.lose(JOURNAL_FULL, us(4)) == []
    assert bench.reader.lost_reason == "no reply"
