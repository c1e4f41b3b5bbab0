"""Everything that can end badly, tried by the hundred: one table, and 1 if anything was not right.

    .venv/bin/python -m tests.bench.survival [--kills N] [--cuts N] [--only KIND ...]

* Every call of all that a journal does with its disk fails, once and for good, with an I/O error
  and with a full disk (``tests/faults/journal_operations.py``).
* The power is cut at so many instants of five lives of a journal (``power_cuts.py``).
* The real daemon, with a real broker and a subscriber, is killed so many times under load
  (``daemon_kills.py``); so is a process that writes a journal as fast as it can
  (``writer_kills.py``).

Lost: something that was committed, acknowledged or delivered is gone. Doubled: it is there twice,
and nothing shows it. Wrong: something is not as it was, or does not fit the rest. Crashed: an error
of ours, or no way to go on.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.faults.daemon_kills import kill_daemons
from tests.faults.faulty_disk import MEMORY
from tests.faults.journal_operations import FAULTS, OPERATIONS, fail_each
from tests.faults.power_cuts import PLANS, cut, record, spread
from tests.faults.tally import Tally
from tests.faults.writer_kills import kill_writers

KILLS = 500
CUTS = 1_000
SEED = 1
KINDS = ("failures", "cuts", "writers", "daemons")
HEAD = f"{'kind of fault':<58}{'tried':>7}{'lost':>6}{'doubled':>9}{'wrong':>7}{'crashed':>9}"


def failures() -> Iterator[Tally]:
    """A row for each fault and operation."""
    for fault in FAULTS:
        for operation in OPERATIONS:
            *_, tally = fail_each(operation, fault)
            yield tally


def cuts(count: int) -> Iterator[Tally]:
    """A row for each life of a journal, the cuts spread over all of them evenly."""
    each = -(-count // len(PLANS))
    for plan in PLANS:
        life, rng, tally = record(plan), random.Random(SEED), Tally(f"power cut: {plan.name}")
        for at in spread(life, each, rng):
            tally.found(cut(life, at, rng), f"step {at} of {len(life.steps)}")
        yield tally


async def daemons(kills: int) -> Tally:
    """The row of the daemon."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        tally = Tally("kill -9 of the daemon")
        async for tally in kill_daemons(Path(name), kills, SEED):
            if tally.tried % 50 == 0:
                print(f"{tally.tried} of {kills} daemons killed", file=sys.stderr, flush=True)
        return tally


def writers(kills: int) -> Tally:
    """The row of the writing process."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        *_, (tally, _) = kill_writers(Path(name) / "j", kills, SEED)
        return tally


def rows(kinds: Sequence[str], kills: int, power_cuts: int) -> Iterator[Tally]:
    """The rows of some kinds, as they come."""
    if "failures" in kinds:
        yield from failures()
    if "cuts" in kinds:
        yield from cuts(power_cuts)
    if "writers" in kinds:
        yield writers(kills)
    if "daemons" in kinds:
        yield asyncio.run(daemons(kills))


def shown(tally: Tally) -> str:
    """A row for the screen."""
    return (
        f"{tally.kind:<58}{tally.tried:>7}{tally.lost:>6}{tally.doubled:>9}"
        f"{tally.wrong:>7}{tally.crashed:>9}"
    )


def main() -> int:
    """Try everything and print the table; 1 if anything was lost, doubled, wrong or crashed."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.survival")
    parser.add_argument("--kills", type=int, default=KILLS, help="of each kind of process")
    parser.add_argument("--cuts", type=int, default=CUTS, help="of the power")
    parser.add_argument("--only", nargs="+", choices=KINDS, default=KINDS, help="kinds of fault")
    asked = parser.parse_args()
    print(HEAD, flush=True)
    found: list[Tally] = []
    for tally in rows(asked.only, asked.kills, asked.cuts):
        found.append(tally)
        print(shown(tally), flush=True)
    total = Tally("all")
    for each in found:
        total.tried += each.tried
        total.lost += each.lost
        total.doubled += each.doubled
        total.wrong += each.wrong
        total.crashed += each.crashed
        total.said += each.said
    print(shown(total))
    for sentence in total.said:
        print(sentence)
    return 0 if all(each.well for each in found) else 1


if __name__ == "__main__":
    sys.exit(main())
