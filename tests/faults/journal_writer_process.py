"""A process that writes a journal as fast as it can and says what is committed, until it is killed.

It is started by forking a server that has loaded everything, so that a test can kill many.
"""

from __future__ import annotations

import os
import random
from collections.abc import Sequence
from dataclasses import replace
from multiprocessing.connection import Connection

from collector.core.records import Record, RecordKind
from collector.journal import Journal
from tests.unit.journal.samples import START_US, contact

LIMIT_BYTES = 1 << 20


def write_until_killed(path: str, pipe: Connection, seed: int) -> None:
    """Write records whose value is their number; each commit writes its last number to a pipe.

    Args:
        path: the journal.
        pipe: its writing end.
        seed: of the batch lengths.
    """
    descriptor = pipe.fileno()

    def on_commit(last: int, records: Sequence[Record]) -> None:
        os.write(descriptor, last.to_bytes(8, "little"))

    rng = random.Random(seed)
    journal = Journal.open(
        path, wall_us=lambda: START_US, commit_period_s=rng.choice([0, 0, 0.002]),
        on_commit=on_commit, size_limit_bytes=LIMIT_BYTES,
    )  # fmt: skip
    number = journal.head
    while True:
        count = rng.choice([1, 2, 10, 100, 500])
        batch = [contact(number + i, f"works.c{(number + i) % 40}") for i in range(1, count + 1)]
        for place, record in enumerate(batch):
            if record.at_us % (400 * 1_000_000) == 0:
                batch[place] = replace(record, kind=RecordKind.COLLECTOR)  # audited
        state = f"after {number + count}" if rng.random() < 0.5 else None
        if not journal.submit(batch, state=state):
            journal.flush()
            continue
        number += count
        journal.move_cursor("store", max(0, number - rng.randrange(5000)))
        if rng.random() < 0.2:
            journal.flush()
