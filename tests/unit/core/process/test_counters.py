"""Counters that roll over, are set back or replaced."""

from __future__ import annotations

import pytest

from collector.core.process.counters import REPLACED, RESET, ROLLED_OVER, CounterTrack
from tests.unit.core.scans_for_tests import us


def strokes() -> CounterTrack:
    """A 16-bit stroke counter of at most two strokes a second."""
    return CounterTrack(65_536.0, 0.0, 2.0)


@pytest.mark.parametrize("bits", [16, 32])
def test_a_rollover_is_growth(bits: int) -> None:
    """From 10 below the modulus to 15 past it are 25 counts, with no doubt left."""
    modulus = 2.0**bits
    track = CounterTrack(modulus, 0.0, 2.0)
    assert track.read(modulus - 10, 0, 0) == ""
    assert track.read(15.0, us(59), us(60)) == ROLLED_OVER
    assert (track.grown, track.doubt) == (25.0, 0.0)


def test_a_reset_keeps_what_was_counted_and_bounds_what_was_not() -> None:
    """Set back from 30 000 and counting 5 since: at least 5 came, at most what the pump can do."""
    track = strokes()
    track.read(30_000.0, 0, 0)
    track.read(30_100.0, us(299), us(300))
    assert track.read(5.0, us(309), us(310)) == RESET
    assert track.grown == 105.0
    assert track.doubt == 2.0 * (1.0 + 120.0) - 5.0


@pytest.mark.parametrize("value", [50_000.0, 12_000.0])
def test_a_jump_is_a_replacement_and_no_growth(value: float) -> None:
    """A step farther than the pump can stroke, up or down, counts nothing and leaves doubt."""
    track = strokes()
    track.read(30_000.0, 0, 0)
    assert track.read(value, us(9), us(10)) == REPLACED
    assert track.grown == 0.0
    assert track.doubt == 2.0 * (1.0 + 120.0)
    assert track.read(value + 7.0, us(19), us(20)) == ""
    assert track.grown == 7.0


def test_standing_still_for_long_leaves_no_doubt() -> None:
    """A counter seen standing for a day can not have rolled over unseen: what counts is the time
    since its old value was last seen."""
    track = strokes()
    track.read(100.0, 0, 0)
    track.read(101.0, us(86_399), us(86_400))
    assert (track.grown, track.doubt) == (1.0, 0.0)


def test_a_gap_longer_than_a_whole_round_leaves_its_doubt() -> None:
    """Unread for ten hours at up to 2/s (72 000 strokes): one whole round of 65 536 may hide."""
    track = strokes()
    track.read(100.0, 0, 0)
    track.read(200.0, us(0), us(36_000))
    assert track.grown == 100.0
    assert track.doubt == 65_536.0


def test_an_hour_meter_cannot_outrun_time() -> None:
    """An hour meter that gains an hour in a minute was replaced."""
    track = CounterTrack(None, 360.0, 1.05)
    track.read(3600.0, 0, 0)
    assert track.read(7200.0, us(59), us(60)) == REPLACED
    assert track.read(7260.0, us(119), us(120)) == ""


def test_ripple_of_a_reading_is_neither_growth_nor_reset() -> None:
    """Without a modulus a step back within the resolution is passed over."""
    track = CounterTrack(None, 360.0, 1.05)
    track.read(3600.0, 0, 0)
    assert track.read(3590.0, us(59), us(60)) == ""
    assert track.read(3650.0, us(119), us(120)) == ""
    assert track.grown == 50.0
