"""A power cut at any instant loses nothing that was acknowledged and leaves a sound journal."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from collector.core.records import Record, RecordKind
from collector.errors import JournalError
from collector.journal import Journal, JournalReader, connect
from tests.faults.faulty_disk import MEMORY, PowerCut, RecordingDisk, Step, cut_power
from tests.unit.journal.samples import contact, contacts, wall_us
from tests.unit.journal.test_chain import check_chain

CUTS = 240
PADDING = "a reason so long that it is written out in each record. " * 8


@pytest.fixture
def directory() -> Iterator[Path]:
    """A directory in memory: what a disk would do is played by the test."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        yield Path(name)


def record_a_life(path: Path, batches: list[list[Record]], size_limit_bytes: int) -> list[Step]:
    """Everything a journal does to its files while batches are committed, with the acknowledgements
    at the places where they were given."""
    with RecordingDisk() as disk:

        def on_commit(last: int, records: Sequence[Record]) -> None:
            disk.mark(last)

        for part in (batches[: len(batches) // 2], batches[len(batches) // 2 :]):
            with Journal.open(
                path, wall_us=wall_us, commit_period_s=0, on_commit=on_commit, vfs=disk.name,
                size_limit_bytes=size_limit_bytes,
            ) as journal:  # fmt: skip
                for number, batch in enumerate(part):
                    journal.submit(batch, state=f"after {batch[-1].value}" if number % 3 else None)
                    journal.move_cursor("store", journal.head)
                    journal.flush()
        return disk.steps


def come_back(directory: Path, left: PowerCut) -> None:
    """Put what a power cut left on a fresh disk."""
    directory.mkdir()
    for name, content in left.files.items():
        (directory / name).write_bytes(content)


def check(path: Path, acknowledged: int) -> None:
    """The journal opens with its full check, holds all that was acknowledged, and goes on; the
    chain of the audited record is whole."""
    with Journal.open(path, wall_us=wall_us) as journal:
        assert journal.checked
        head = journal.head
        assert head >= acknowledged
        assert journal.submit([contact(head + 1)])
    with JournalReader(path) as reader:
        kept = reader.records_after(0, 1_000_000)
        numbers = [record.sequence for record in kept]
        assert numbers == list(range(numbers[0], head + 2))
        assert all(record.value == record.sequence for record in kept)
        state = reader.state()
        assert state is None or state[1] == f"after {state[0]}"
    check_chain(path)


def many_batches(count: int) -> list[list[Record]]:
    """Batches of different length whose values are their numbers to be."""
    rng = random.Random(1)
    batches, number = [], 1
    for _ in range(count):
        length = rng.choice([1, 1, 2, 5, 30])
        batch = contacts(number, number + length - 1, padding=PADDING)
        batch[0] = replace(batch[0], kind=RecordKind.COLLECTOR)  # audited
        batches.append(batch)
        number += length
    return batches


def test_nothing_acknowledged_is_lost_at_any_cut(directory: Path) -> None:
    """At 240 instants spread over opening, commits, the log brought into the database and closing,
    with unsynced writes dropped, kept or torn: every acknowledged record is there, numbers have no
    holes, the chain is whole, the file is sound and can be written to."""
    steps = record_a_life(directory / "j", many_batches(60), size_limit_bytes=1 << 20)
    syncs_of_the_database = [s for s in steps if s.what == "sync" and s.path.endswith("j")]
    assert len(syncs_of_the_database) > 5, "the log must have been brought into the database"
    rng = random.Random(20_260_101)
    for number in range(CUTS):
        at = len(steps) * number // CUTS + rng.randrange(len(steps) // CUTS + 1)
        left = cut_power(steps, min(at, len(steps)), rng)
        come_back(directory / f"cut {number}", left)
        check(directory / f"cut {number}" / "j", left.acknowledged)


def test_nothing_acknowledged_is_lost_while_old_records_are_deleted(directory: Path) -> None:
    """The same while the journal is at its size limit and deletes; the newest part has no holes."""
    batches = [contacts(n, n + 99, padding=PADDING, subjects=1) for n in range(1, 6000, 100)]
    steps = record_a_life(directory / "j", batches, size_limit_bytes=1 << 20)
    with JournalReader(directory / "j") as reader:
        assert reader.first() > 2000, "records must have been deleted"
    rng = random.Random(7)
    for number in range(100):
        left = cut_power(steps, rng.randrange(len(steps) // 4, len(steps)), rng)
        come_back(directory / f"cut {number}", left)
        check(directory / f"cut {number}" / "j", left.acknowledged)


def test_the_model_of_the_cut_finds_a_journal_that_does_not_sync(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same life without syncs loses acknowledged records: the tests above can fail."""
    careful = connect.make_durable

    def careless(connection: apsw.Connection, path: Path) -> None:
        careful(connection, path)
        connection.pragma("synchronous", 0)

    monkeypatch.setattr(connect, "make_durable", careless)
    steps = record_a_life(directory / "j", many_batches(60), size_limit_bytes=1 << 20)
    monkeypatch.undo()
    rng = random.Random(3)
    lost = 0
    for number in range(30):
        left = cut_power(steps, rng.randrange(len(steps) // 2, len(steps)), rng)
        come_back(directory / f"cut {number}", left)
        try:
            check(directory / f"cut {number}" / "j", left.acknowledged)
        except (AssertionError, JournalError, IndexError):
            lost += 1
    assert lost > 10
