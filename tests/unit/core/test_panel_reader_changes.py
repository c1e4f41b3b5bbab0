"""How the panel reader tells changes: brackets, debounce, deadband, longest silence.

The rules stand at the head of ``panel_reader.py``, the arithmetic in ``panel_on_paper.py``.
"""

from __future__ import annotations

from typing import Any

import pytest

from collector.core.records import (
    OUT_OF_RANGE,
    Input,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
)
from tests.unit.core.panel_on_paper import RUN, TWO, changed, quiet, started
from tests.unit.core.scans_for_tests import COIL, HOLDING, INPUT, REGISTER, Bench, us

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


def test_the_first_sight_after_a_gap_needs_no_debounce() -> None:
    """It may have moved long ago; from then on it is debounced again."""
    bench = debounced(debounce_scans=2)
    for at_s in (1, 2, 3):
        bench.scan(at_s, fail="no reply")
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(4) == [changed("float", True, 0.0, 4.01), PanelReturned("p", us(4.01))]
    bench.image.put(INPUT, 0, 0)
    assert bench.scan(5) == []
    assert bench.scan(6) == [changed("float", False, 4.0, 5.01)]


def test_a_move_that_a_gap_cut_short_of_its_debounce_is_told_after_it() -> None:
    """Seen to move, lost, and found where it had moved to: it has moved."""
    bench = debounced(debounce_s=60.0)
    bench.image.put(INPUT, 0, 1)
    assert bench.scan(1) == []
    for at_s in (2, 3, 4):
        bench.scan(at_s, fail="no reply")
    assert bench.scan(5) == [changed("float", True, 0.0, 5.01), PanelReturned("p", us(5.01))]


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
