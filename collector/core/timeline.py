"""How plant time continues across a stop of the collector.

Plant time never goes back and never jumps with the wall clock. After a stop the only clock that
ran on is the wall clock, so the length of the stop is taken from it, if it can be believed: a
small computer without a battery clock may come up in 1970, or decades ahead. A stop of negative
length, or longer than any stop we are asked to measure, is one of unknown length; plant time then
goes on where it was, and the stamps follow the wall clock.
"""

from __future__ import annotations

from dataclasses import dataclass

LONGEST_STOP_US = 400 * 86_400 * 1_000_000
# Smaller differences between wall and plant time are jitter of reading two clocks.
LEAST_STEP_US = 500_000


@dataclass(frozen=True, slots=True)
class Continuation:
    """Where plant time goes on.

    Args:
        start_us: plant time of this instant.
        offset_us: wall time minus plant time from now on.
        step_us: by how much the offset differs from the one before the stop.
        length_known: whether the length of the stop could be believed.
    """

    start_us: int
    offset_us: int
    step_us: int
    length_known: bool


def continue_plant_time(
    last_plant_us: int, last_wall_us: int, wall_us: int, offset_us: int | None = None
) -> Continuation:
    """Continue plant time after a stop.

    Args:
        last_plant_us, last_wall_us: the last instant on record, by both clocks as they were read.
        wall_us: the wall clock now.
        offset_us: wall time minus plant time as records are dated; None for that of the last
            instant. The two differ by steps too small to be told, which must not make the stop
            longer or shorter than it was.
    """
    if offset_us is None:
        offset_us = last_wall_us - last_plant_us
    stop_us = wall_us - last_wall_us
    if 0 <= stop_us <= LONGEST_STOP_US:
        return Continuation(last_plant_us + stop_us, offset_us, 0, True)
    start_us = last_plant_us + 1
    return Continuation(start_us, wall_us - start_us, wall_us - start_us - offset_us, False)


def clock_step_us(now_us: int, wall_us: int, offset_us: int) -> int:
    """By how much the wall clock was stepped since ``offset_us`` was measured; 0 for jitter."""
    step_us = wall_us - now_us - offset_us
    return step_us if abs(step_us) >= LEAST_STEP_US else 0
