"""``kill -9`` of a process that writes a journal under load, again and again."""

from __future__ import annotations

import multiprocessing
import os
import random
from collections.abc import Iterator
from pathlib import Path

from tests.faults.journal_writer_process import write_until_killed
from tests.faults.judging import judge
from tests.faults.tally import Findings, Tally

HEARD_BEFORE = (0, 1, 2, 5, 20)
"""How many commits a process tells before it is killed; some die while they open the journal."""


def kill_writers(path: Path, kills: int, seed: int) -> Iterator[tuple[Tally, int]]:
    """Kill one writer after the other and judge what each has left.

    Args:
        path: the journal they all write, in turn.
        kills: how many.
        seed: of the moments.

    Returns:
        after each, what came of all so far, and the greatest number acknowledged.
    """
    rng = random.Random(seed)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.faults.journal_writer_process"])
    tally, acknowledged = Tally("kill -9 of a journal's writer"), 0
    for number in range(kills):
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=write_until_killed, args=(str(path), theirs, number))
        process.start()
        theirs.close()
        wanted = rng.choice(HEARD_BEFORE)
        told = b""
        while len(told) < 8 * wanted and (more := os.read(ours.fileno(), 8 * wanted - len(told))):
            told += more
        process.kill()
        process.join()
        while more := os.read(ours.fileno(), 1 << 16):
            told += more
        ours.close()
        found = Findings()
        if process.exitcode != -9:
            found.crashed.append(f"it ended by itself with {process.exitcode}")
        if whole := len(told) // 8:
            acknowledged = int.from_bytes(told[8 * whole - 8 : 8 * whole], "little")
        if path.exists():
            judge(path, acknowledged, None, found)
        tally.found(found, f"kill {number + 1}")
        yield tally, acknowledged
