"""One seed from its begin to its verdict."""

from __future__ import annotations

import gc
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import structlog

from tests.simulation.whole import invariants
from tests.simulation.whole.events import GROUPS, make_well, plan
from tests.simulation.whole.growth import maybe_growth
from tests.simulation.whole.invariants import Findings
from tests.simulation.whole.virtual_loop import SECOND_NS, Stuck
from tests.simulation.whole.world import Life, World, silence_logs

ALL_GROUPS_EVERY = 2
PER_HOUR = 12.0
CALM_S = (40.0, 400.0)
"""How long everything works at the end, at least and at most: the longest wait of an outlet that is
held is a minute, as is that before a store's rows are written once more."""
RESTART_S = (1.0, 900.0)
LONGEST_REST = 1 / 8
"""Of the run: no single stop lasts longer."""


@dataclass
class Verdict:
    """What came of a seed.

    Args:
        seed, days, stretch, per_hour: what it was.
        groups: which kinds of events.
        found: what was found.
        digest: hash of everything that passed.
        world: as it ended.
    """

    seed: int
    days: float
    stretch: float
    per_hour: float
    groups: tuple[str, ...]
    found: Findings
    digest: str
    world: World

    @property
    def name(self) -> str:
        """Which kinds of events, in a word."""
        return "all" if set(self.groups) == set(GROUPS) else self.groups[0]

    @property
    def crashed(self) -> int:
        """How many lives ended as none may."""
        return sum("ended by" in sentence for sentence in self.found.wrong)

    @property
    def well(self) -> bool:
        """Whether all was as it must be."""
        return not self.found.wrong


def groups_of(seed: int) -> tuple[str, ...]:
    """Which kinds of events a seed has: every other one has all."""
    if seed % ALL_GROUPS_EVERY == 0:
        return GROUPS
    return (GROUPS[seed // ALL_GROUPS_EVERY % len(GROUPS)], "kills")


def run_seed(
    seed: int, days: float, *, stretch: float = 1.0, per_hour: float = PER_HOUR,
    groups: tuple[str, ...] | None = None, script: Callable[[World], None] | None = None,
) -> Verdict:  # fmt: skip
    """Run a seed.

    Args:
        seed: decides everything.
        days: virtual days with events.
        stretch: by how much longer the scan periods are than in the plant file.
        per_hour: events an hour.
        groups: kinds of events; None for those of the seed.
        script: puts events in itself, instead of drawing them.
    """
    logging = silence_logs()
    searched = gc.isenabled()
    gc.disable()  # a tenth of the time
    groups = groups_of(seed) if groups is None else groups
    found = Findings()
    world = World(seed, stretch=stretch)
    try:
        until_ns = round(days * 86_400 * SECOND_NS)
        if script is None:
            plan(world, groups, until_ns, per_hour)
        else:
            script(world)
        try:
            _live_through(world, until_ns, found)
            _calm_down(world, found)
            invariants.check_record(world, found)
        except Stuck as stuck:
            found.say(str(stuck))
        found.figures["most objects"] = max(world.reached, default=0)
        for sentence in filter(None, [*world.wrong, maybe_growth(world.reached)]):
            found.say(sentence)
        return Verdict(seed, days, stretch, per_hour, groups, found, world.trace.digest(), world)
    finally:
        structlog.configure(**logging)
        world.close()
        if searched:
            gc.enable()


def _live_through(world: World, until_ns: int, found: Findings) -> None:
    shortest_s, longest_s = RESTART_S
    longest_s = max(2 * shortest_s, min(longest_s, until_ns / SECOND_NS * LONGEST_REST))
    while world.agenda.now_ns < until_ns:
        failures = world.disk.counts["failed"]
        life = world.live(until_ns)
        if not _ended_well(life, failed=world.disk.counts["failed"] > failures):
            found.say(f"life {life.number} ended by {life.ended}: {life.why}")
        down_s = shortest_s * (longest_s / shortest_s) ** world.chance.random()
        world.agenda.pass_to(world.agenda.now_ns + round(down_s * SECOND_NS))


def _ended_well(life: Life, *, failed: bool) -> bool:
    """Whether a life ended as it may: by what was done to it, by a disk that failed or was full, or
    asked to end on a disk so slow that its last commit was not waited for."""
    if life.ended in ("killed", "power", "stopped", "JournalFull"):
        return True
    return life.ended == "JournalError" and (failed or "did not end within" in life.why)


def _calm_down(world: World, found: Findings) -> None:
    """Everything works; what is owed is delivered, and the figures are compared."""
    make_well(world)
    least_ns = world.agenda.now_ns + round(CALM_S[0] * SECOND_NS)
    most_ns = world.agenda.now_ns + round(CALM_S[1] * SECOND_NS)

    def behind() -> dict[str, int]:
        made = world.daemon
        assert made is not None
        return {outlet.name: outlet.status().behind for outlet in made.outlets}

    def settled() -> bool:
        quiet = world.agenda.now_ns >= least_ns and not any(behind().values())
        if not quiet and world.agenda.now_ns < most_ns:
            return False
        if not quiet:
            found.say(f"after {CALM_S[1]:g} s of calm the outlets are behind: {behind()}")
        assert world.daemon is not None
        invariants.check_running(world, world.daemon, found)
        return True

    life = world.live(most_ns, settled)
    if life.ended != "stopped":
        found.say(f"the last life ended by {life.ended}: {life.why}")


def tell(verdict: Verdict) -> str:
    """What was found, with the one command that replays it."""
    lines = [f"seed {verdict.seed} at commit {_commit()}:"]
    lines += [f"  {sentence}" for sentence in verdict.found.wrong]
    command = f"python -m tests.simulation.whole --seed {verdict.seed} --days {verdict.days:g}"
    command += f" --stretch {verdict.stretch:g} --per-hour {verdict.per_hour:g}"
    if verdict.groups != groups_of(verdict.seed):
        command += f" --groups {','.join(verdict.groups)}"
    return "\n".join([*lines, f"  again: {command}"])


def _commit() -> str:
    told = subprocess.run(
        ["git", "describe", "--always", "--dirty", "--abbrev=12"],
        cwd=Path(__file__).parent, capture_output=True, check=False, text=True,
    )  # fmt: skip
    return told.stdout.strip() or "unknown"
