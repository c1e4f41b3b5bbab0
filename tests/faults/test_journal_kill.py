"""kill -9 at any moment: all that was acknowledged is there, without holes, in a sound file."""

from __future__ import annotations

import multiprocessing
import os
import random
from pathlib import Path

import pytest

from collector.journal import Journal, JournalReader
from tests.faults.journal_writer_process import write_until_killed
from tests.unit.journal.samples import wall_us
from tests.unit.journal.test_chain import check_chain

KILLS = int(os.environ.get("WEIRKEEPER_TEST_KILLS", "40"))
"""How many processes are killed; 500 and more for a long run."""


@pytest.mark.timeout(60 + KILLS)
def test_kill_9_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """One journal, written by 40 processes in turn, each killed at a random moment under load, in
    the middle of commits, of deletions at the size limit, of the opening itself; the chain of the
    audited record is whole each time."""
    path = tmp_path / "j"
    rng = random.Random(9)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.faults.journal_writer_process"])
    acknowledged = killed_unheard = chained = 0
    for seed in range(KILLS):
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=write_until_killed, args=(str(path), theirs, seed))
        process.start()
        theirs.close()
        wanted = rng.choice([0, 1, 2, 5, 20])
        told = os.read(ours.fileno(), 8 * wanted) if wanted else b""
        while wanted and len(told) < 8 * wanted:
            told += os.read(ours.fileno(), 8 * wanted - len(told))
        process.kill()
        process.join()
        assert process.exitcode == -9
        while more := os.read(ours.fileno(), 1 << 16):
            told += more
        ours.close()
        if told:
            acknowledged = int.from_bytes(told[-8:], "little")
        else:
            killed_unheard += 1
        if not path.exists():
            continue
        with Journal.open(path, wall_us=wall_us, outlets=["store"]) as journal:
            assert journal.checked, "the check must have gone through the whole file"
            assert journal.head >= acknowledged
        chained = check_chain(path)
        with JournalReader(path) as reader:
            kept = reader.records_after(0, 10**6)
            newest = {record.subject: record.sequence for record in kept}
            numbers = [record.sequence for record in kept]
            assert all(record.value == record.sequence for record in kept)
            unbroken = [n for n in numbers if n > numbers[-1] - len(numbers) + len(newest)]
            assert unbroken == list(range(numbers[-1] - len(unbroken) + 1, numbers[-1] + 1))
            state = reader.state()
            assert state is None or state[1] == f"after {state[0]}"
            acknowledged = max(acknowledged, reader.head())
    assert acknowledged > 10_000
    assert chained > 20
    assert killed_unheard < KILLS // 2
