"""What was just committed is given as the journal gives it, and the rest is read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from collector.core.records import Record
from collector.journal import Journal, JournalReader
from collector.journal.fresh import MOST_FRESH, FreshRecords
from tests.unit.journal.samples import contacts, wall_us

COUNT = MOST_FRESH + 200


@pytest.mark.parametrize(
    ("first", "last", "limit"),
    [
        (1, COUNT, COUNT), (1, 10, 3), (COUNT, COUNT, 1), (COUNT - 5, COUNT, 100),
        (COUNT - 5, COUNT, 2), (201, COUNT, COUNT), (200, COUNT, COUNT), (COUNT, COUNT + 5, 10),
        (COUNT + 1, COUNT + 5, 10), (COUNT, COUNT - 1, 5),
    ],
)  # fmt: skip
def test_any_stretch_is_the_same_as_read(tmp_path: Path, first: int, last: int, limit: int) -> None:
    """Whatever is asked for, the answer is that of the journal's reader."""
    noted: list[Record] = []

    def on_commit(_: int, records: Sequence[Record]) -> None:
        noted.extend(records)

    with Journal.open(tmp_path / "j", wall_us=wall_us, on_commit=on_commit) as journal:
        for record in contacts(1, COUNT):
            journal.submit([record])
        journal.flush()
        with JournalReader(tmp_path / "j") as reader:
            fresh = FreshRecords(reader)
            for at in range(0, COUNT, 7):
                fresh.note(noted[at : at + 7])
            assert list(fresh.records_between(first, last, limit)) == reader.records_between(
                first, last, limit
            )


def test_a_commit_it_was_not_told_of_leaves_no_hole(tmp_path: Path) -> None:
    """Where numbers are missing, what stood before them is read again."""
    with Journal.open(tmp_path / "j", wall_us=wall_us) as journal:
        journal.submit(contacts(1, 30))
        journal.flush()
        with JournalReader(tmp_path / "j") as reader:
            fresh = FreshRecords(reader)
            fresh.note(reader.records_between(1, 10, 10))
            fresh.note(reader.records_between(21, 30, 10))
            assert [r.sequence for r in fresh.records_between(5, 25, 100)] == list(range(5, 26))
