"""What is submitted is read back exactly, in order."""

from __future__ import annotations

import itertools
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.records import Quality, Record, Value
from collector.errors import Bug
from collector.journal import Journal, JournalReader
from tests.unit.journal.samples import (
    any_record,
    contact,
    contacts,
    read_all,
    unnumbered,
    wall_us,
    write,
)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.lists(any_record(), max_size=8), min_size=1, max_size=6))
def test_whatever_is_submitted_is_read_back_in_order(batches: list[list[Record]]) -> None:
    """Any records in any batches come back equal, of the same types, numbered from 1 up."""
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "j"
        write(path, *batches)
        submitted = list(itertools.chain.from_iterable(batches))
        back = read_all(path)
    assert unnumbered(back) == submitted
    assert [record.sequence for record in back] == list(range(1, len(submitted) + 1))
    assert [type(record.value) for record in back] == [type(r.value) for r in submitted]
    assert [str(record.value) for record in back] == [str(r.value) for r in submitted]


@pytest.mark.parametrize(
    "value",
    [True, False, 1, 0, 1.0, 0.0, -0.0, "1", "", None, 2**63 - 1, 2**63, 2**64 - 1, -(2**63) - 1,
     5e-324, float("inf"), "Überlauf", "a\x00b"],
)  # fmt: skip
def test_a_value_keeps_its_type(tmp_path: Path, value: Value) -> None:
    """True is not 1 and 1 is not 1.0, at any quality; integers may exceed 64 bits."""
    for quality in Quality:
        write(tmp_path / "j", [replace(contact(1), value=value, quality=quality)])
    for record, quality in zip(read_all(tmp_path / "j"), Quality, strict=True):
        assert repr(record.value) == repr(value)
        assert record.quality is quality


@pytest.mark.parametrize(
    "wrong",
    [
        replace(contact(1), value=float("nan")),
        replace(contact(1), low=float("nan")),
        replace(contact(1), high=float("nan")),
        replace(contact(1), value="\ud800"),
        replace(contact(1), reason="\udfff"),
        replace(contact(1), at_us=2**63),
        replace(contact(1), utc_us=2**64),
    ],
)
def test_what_could_not_be_given_back_is_refused_at_once(tmp_path: Path, wrong: Record) -> None:
    """NaN, broken text and times beyond 64 bits raise in the caller; nothing is taken."""
    with Journal.open(tmp_path / "j", wall_us=wall_us) as journal:
        with pytest.raises(Bug):
            journal.submit([contact(1), wrong])
        assert journal.backlog == 0
        assert journal.submit([contact(2)])
    assert [record.value for record in read_all(tmp_path / "j")] == [2]


def test_a_reader_learns_names_that_come_later(tmp_path: Path) -> None:
    """One reader goes on reading while subjects, reasons and clock offsets are added."""
    path = tmp_path / "j"
    first, second = contacts(1, 10), contacts(11, 30, subjects=20, padding="link lost")
    second = [replace(record, utc_us=record.utc_us + 3_600_000_000) for record in second]
    with Journal.open(path, wall_us=wall_us) as journal:
        journal.submit(first)
        journal.flush()
        with JournalReader(path) as reader:
            assert unnumbered(reader.records_after(0, 100)) == first
            journal.submit(second)
            journal.flush()
            assert unnumbered(reader.records_after(10, 100)) == second
            assert unnumbered(reader.recent(30)) == (first + second)[::-1]


def test_a_record_costs_at_most_sixty_bytes(tmp_path: Path) -> None:
    """Contacts, states, figures with bounds in a likely mix: at most 60 bytes each on the disk."""
    records: list[Record] = []
    for number in range(1, 20_001, 4):
        figure = replace(
            contact(number, f"eq_pump_{number % 7}.run_hours"),
            value=number * 1.37, low=number * 1.36, high=number * 1.38,
        )  # fmt: skip
        records += [
            replace(contact(number, f"works.contact_{number % 60}"), value=number % 8 > 4),
            figure,
            replace(contact(number, f"eq_pump_{number % 7}.state"), value="running"),
            replace(contact(number, f"works.reading_{number % 20}"), value=number / 3),
        ]
    path = tmp_path / "j"
    write(path, records)
    assert path.stat().st_size / len(records) <= 60
