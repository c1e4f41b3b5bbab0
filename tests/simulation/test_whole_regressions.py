"""What once went wrong in the simulated world, each put in by hand where a seed had found it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.simulation.whole.trial import run_seed, tell
from tests.simulation.whole.virtual_loop import SECOND_NS
from tests.simulation.whole.world import World


def a_step_too_small_to_tell_before_a_stop(world: World) -> None:
    """Steps of the wall clock below half a second are no records; the next stop came out shorter by
    as much, and what ran in it was more than the bounds told."""
    for number in range(3):
        world.agenda.after(60.0 + 120.0 * number, lambda: world.step_clock(-450_000))
        world.agenda.after(110.0 + 120.0 * number, lambda: world.ask_end("stopped"))


def a_store_whose_death_is_noticed_late(world: World) -> None:
    """It died within the time its rows needed to settle, and the next write came after that time:
    by then they had counted as settled."""

    def look() -> None:
        if world.agenda.now_ns > 700 * SECOND_NS:
            return
        since_s = world.store.since_written_s()
        if world.store.mood.up and 6.5 <= since_s < 7.9:
            world.store.die()
            world.agenda.after(25.0, world.store.come_back)
        world.agenda.after(0.5, look)

    world.agenda.after(100.0, look)


def a_store_that_dies_twice_within_a_minute(world: World) -> None:
    """After the first death what had not settled was written again; after the second it was not,
    since that was done at most once a minute."""
    deaths = 0

    def look() -> None:
        nonlocal deaths
        wait_s = 0.5
        if world.store.mood.up and 0.1 <= world.store.since_written_s() < 4.0:
            world.store.die()
            world.agenda.after(6.0, world.store.come_back)
            deaths += 1
            wait_s = 12.0 if deaths % 2 else 90.0
        if world.agenda.now_ns < 600 * SECOND_NS:
            world.agenda.after(wait_s, look)

    world.agenda.after(60.0, look)


SCRIPTS = [
    a_step_too_small_to_tell_before_a_stop,
    a_store_whose_death_is_noticed_late,
    a_store_that_dies_twice_within_a_minute,
]


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda script: script.__name__)
@pytest.mark.parametrize("seed", [2, 3])
def test_what_once_went_wrong_does_not_again(script: Callable[[World], None], seed: int) -> None:
    """See each script."""
    verdict = run_seed(seed, 0.008, stretch=5.0, script=script)
    assert verdict.well, tell(verdict)
    if script is not a_step_too_small_to_tell_before_a_stop:
        assert verdict.world.store.counts["rows lost with the store"] > 0
