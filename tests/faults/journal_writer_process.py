"""A process that writes a journal as fast as it can and says what is committed, until it is killed.

It is started by forking a server that has loaded everything, so that a test can kill many.
"""

from __future__ import annotations

import os
import random
from collections.abc import Sequence
from multiprocessing.connection import Connection

from collector.core.records import Record, RecordKind
from collector.journal import Journal, JournalReader
from tests.faults.journal_operations import Life, Size, hand_in
from tests.faults.judging import OUTLET, last_number
from tests.unit.journal.samples import START_US

LIMIT_BYTES = 1 << 20
AUDITED_SHARE = 0.05
"""Of the batches; the audited record is kept for years and must not take all the room."""


def write_until_killed(path: str, pipe: Connection, seed: int) -> None:
    """Write records that count themselves; each commit writes its last number to a pipe.

    Args:
        path: the journal.
        pipe: its writing end.
        seed: of the batch lengths.
    """
    descriptor = pipe.fileno()

    def on_commit(last: int, records: Sequence[Record]) -> None:
        del last
        if (told := last_number(records)) is not None:
            os.write(descriptor, told.to_bytes(8, "little"))

    rng = random.Random(seed)
    journal = Journal.open(
        path, wall_us=lambda: START_US, commit_period_s=rng.choice([0, 0, 0.002]),
        on_commit=on_commit, size_limit_bytes=LIMIT_BYTES, outlets=[OUTLET],
    )  # fmt: skip
    with JournalReader(path) as reader:
        life = Life(last_number(reader.recent(1, [RecordKind.POINT])) or 0)
    while True:
        count = rng.choice([1, 2, 10, 100, 500])
        before = life.submitted
        audited = int(rng.random() < AUDITED_SHARE)
        hand_in(journal, life, Size(1, count, audited, files=False))
        if life.submitted == before or rng.random() < 0.2:
            journal.flush()
