"""Plant time across a stop: it goes on by the wall clock where that can be believed, else stands.

The instants are calendar arithmetic; Python's ``datetime`` is the reference.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.timeline import (
    LEAST_STEP_US,
    LONGEST_STOP_US,
    Continuation,
    clock_step_us,
    continue_plant_time,
)

S = 1_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def us(instant: datetime) -> int:
    """Microseconds since 1970 UTC."""
    return (instant - EPOCH) // timedelta(microseconds=1)


STOPPED = datetime(2026, 11, 25, 9, 30, 0, 123_456, tzinfo=UTC)
OFFSET_US = 3600 * S  # the wall clock was stepped by an hour some time before the stop
PLANT_US = us(STOPPED) - OFFSET_US


@pytest.mark.parametrize(
    "stop",
    [timedelta(0), timedelta(microseconds=1), timedelta(hours=7), timedelta(days=400)],
    ids=str,
)
def test_a_stop_of_credible_length_passes_on_plant_time(stop: timedelta) -> None:
    """Plant time goes on by what the wall clock says; the offset between them stays."""
    moved = continue_plant_time(PLANT_US, us(STOPPED), us(STOPPED + stop))
    assert moved.length_known
    assert moved.start_us == PLANT_US + stop // timedelta(microseconds=1)
    assert moved.offset_us == OFFSET_US
    assert moved.step_us == 0


@pytest.mark.parametrize(
    "woke",
    [
        EPOCH + timedelta(seconds=12),  # no battery clock
        STOPPED - timedelta(microseconds=1),
        STOPPED - timedelta(hours=1),
        STOPPED.replace(year=1976),
        STOPPED + timedelta(days=400, microseconds=1),
        STOPPED.replace(year=2076),
    ],
    ids=str,
)
def test_a_clock_that_cannot_be_believed_leaves_plant_time_where_it_was(woke: datetime) -> None:
    """Plant time stands and never goes back; stamps follow the wall clock; the length is unknown.

    A machine without a battery clock comes up in 1970; one with a broken one, decades ahead.
    """
    moved = continue_plant_time(PLANT_US, us(STOPPED), us(woke))
    assert not moved.length_known
    assert moved.start_us == PLANT_US + 1
    assert moved.start_us + moved.offset_us == us(woke)
    assert moved.offset_us == OFFSET_US + moved.step_us


@given(
    plant_us=st.integers(0, 1 << 62),
    last_wall_us=st.integers(-(1 << 61), 1 << 62),
    wall_us=st.integers(-(1 << 61), 1 << 62),
)
def test_whatever_the_wall_clock_says_plant_time_goes_on_and_the_stamp_is_the_wall_clock(
    plant_us: int, last_wall_us: int, wall_us: int
) -> None:
    """Never back, never further than the longest stop believed, and dated as the clock is."""
    moved = continue_plant_time(plant_us, last_wall_us, wall_us)
    assert plant_us <= moved.start_us <= plant_us + LONGEST_STOP_US
    assert moved.start_us + moved.offset_us == wall_us


@pytest.mark.parametrize("step_us", [3600 * S, -3600 * S, LEAST_STEP_US, -LEAST_STEP_US])
def test_a_step_of_the_wall_clock_is_told_whole(step_us: int) -> None:
    """An hour is an hour, in either direction."""
    assert clock_step_us(PLANT_US, us(STOPPED) + step_us, OFFSET_US) == step_us


@pytest.mark.parametrize("jitter_us", [0, 1, -1, LEAST_STEP_US - 1, 1 - LEAST_STEP_US])
def test_jitter_of_reading_two_clocks_is_no_step(jitter_us: int) -> None:
    """Two clocks are never read at the same instant."""
    assert clock_step_us(PLANT_US, us(STOPPED) + jitter_us, OFFSET_US) == 0


def test_a_step_too_small_to_be_told_makes_a_stop_neither_longer_nor_shorter() -> None:
    """The stop is measured by the wall clock as it was read; records are dated as before."""
    told_us, unseen_us = 7_000_000, LEAST_STEP_US - 1
    last_wall_us = PLANT_US + told_us - unseen_us
    moved = continue_plant_time(PLANT_US, last_wall_us, last_wall_us + 60_000_000, told_us)
    assert moved == Continuation(PLANT_US + 60_000_000, told_us, 0, True)
