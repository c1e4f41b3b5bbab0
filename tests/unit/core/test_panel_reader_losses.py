"""How the panel reader loses and finds: silence, single blocks, visits, freezing, restarts, pauses.

The rules stand at the head of ``panel_reader.py``, the arithmetic in ``panel_on_paper.py``.
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
)
from tests.unit.core.panel_on_paper import BAD, RUN, TWO, changed, quiet, started
from tests.unit.core.scans_for_tests import INPUT, REGISTER, Bench, us

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
    """An address the panel does not have, from the first scan on: not read, before the panel is."""
    bench = Bench(TWO)
    found = [change for at_s in range(9) for change in bench.scan(at_s, blocks={1: "exception 02"})]
    assert found == [
        changed("run", False, 0.02, 0.02),
        changed("level", None, 0.0, 0.02, "exception 02"),
        PanelReturned("p", us(0.02)),
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


def test_another_block_coming_back_is_no_heartbeat() -> None:
    """Only the heartbeat shows life: last seen to move at 0.02 s, it stands still whatever the
    block with the contact does."""
    bench = started(BEATING, frozen={"heartbeat": "p.heart", "after_s": 10})
    found = [
        change
        for at_s in range(1, 20)
        for change in bench.scan(at_s, blocks={0: "exception 04"} if at_s < 8 else None)
    ]
    assert [change for change in found if isinstance(change, PanelLost)] == [
        PanelLost("p", FROZEN, us(0.0), us(10.02))
    ]


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
    """However short the stop: one block answers, and the other is not as it was, but not known."""
    known = {"p.run": Decoded(False), "p.level": Decoded(0.0)}
    bench = Bench(TWO, 100.0, known, 99.5)
    assert bench.scan(100.0, blocks={1: "no reply"}) == [
        changed("level", None, 99.5, 100.02, "no reply"),
        PanelReturned("p", us(100.02)),
    ]
    assert bench.scan(101.0) == [changed("level", 0.0, 101.02, 101.02)]


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
