"""Going back to a copy: nothing is destroyed, no number given twice, and it says what it does."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from collector.audit.keys import default_key_path, open_signer
from collector.errors import ExitCode
from collector.journal import Journal
from collector.journal.backup import back_up
from collector.journal.reader import JournalReader
from tests.unit.audit.audited_sample import write_sample
from tests.unit.cli.typed import Shell
from tests.unit.reports.alarms_on_paper import DAY_US, NOON_US, noted, raised

BEYOND = 3


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capsys, monkeypatch)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A journal of two days, a copy of it, and three records more."""
    path = tmp_path / "weirkeeper.journal"
    signer = open_signer(default_key_path(path))
    write_sample(path, signer, 2)
    back_up(path, tmp_path / "copies", "2026-07-02", 3)
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0, signer=signer) as writer:
        later = [noted(5 * DAY_US + k, cause=f"beyond {k}") for k in range(BEYOND)]
        assert writer.submit(later)
        assert writer.flush(10)
    return path


def bodies(path: Path) -> list[tuple[int, str]]:
    """Numbers and values by the standard library's SQLite."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as db:
        return db.execute("SELECT sequence, value FROM record ORDER BY sequence").fetchall()


def set_aside(journal: Path) -> Path:
    (found,) = [path for path in journal.parent.glob("*.earlier-*") if path.suffix[-1] == "Z"]
    return found


def test_a_copy_takes_the_place_and_what_was_there_is_kept(shell: Shell, journal: Path) -> None:
    """All records of the copy, none of the later ones; those are in the file set aside."""
    before = bodies(journal)
    copy = next((journal.parent / "copies").glob("*.copy"))
    said = shell("restore", copy, "--to", journal)
    assert said.code == ExitCode.DONE, said.err
    assert f"it holds {BEYOND} records beyond the copy" in said.out
    assert bodies(journal)[: len(bodies(copy))] == bodies(copy)
    assert not any("beyond" in str(value) for _, value in bodies(journal))
    assert bodies(set_aside(journal)) == before


def test_no_number_is_ever_given_twice(shell: Shell, journal: Path) -> None:
    """What comes after a restore is numbered above all that may have been delivered before."""
    highest = bodies(journal)[-1][0]
    copy = next((journal.parent / "copies").glob("*.copy"))
    with JournalReader(journal) as reader:
        before = reader.journal_id
    assert shell("restore", copy, "--to", journal).code == ExitCode.DONE
    signer = open_signer(default_key_path(journal))
    with Journal.open(journal, wall_us=lambda: NOON_US, commit_period_s=0, signer=signer) as writer:
        assert writer.submit([raised(6 * DAY_US, activation=900)])
        assert writer.flush(10)
    with JournalReader(journal) as reader:
        assert reader.journal_id == before
        assert reader.recent(1)[0].sequence > highest


def test_what_lies_beyond_the_copy_can_be_taken_over(shell: Shell, journal: Path) -> None:
    """Nothing of the journal in place is lost then."""
    before = bodies(journal)
    copy = next((journal.parent / "copies").glob("*.copy"))
    said = shell("restore --salvage", copy, "--to", journal)
    assert said.code == ExitCode.DONE, said.err
    kept = dict(bodies(journal))
    assert all(kept[number] == value for number, value in before)


def test_a_held_journal_and_a_broken_copy_are_refused(shell: Shell, journal: Path) -> None:
    """And the journal in place is as it was."""
    before = bodies(journal)
    copy = next((journal.parent / "copies").glob("*.copy"))
    with Journal.open(journal, wall_us=lambda: NOON_US):
        assert shell("restore", copy, "--to", journal).code == ExitCode.JOURNAL
    data = bytearray(copy.read_bytes())
    data[5_000:9_000] = bytes(4_000)
    copy.write_bytes(data)
    said = shell("restore", copy, "--to", journal)
    assert said.code == ExitCode.JOURNAL
    assert "Traceback" not in said.err
    assert bodies(journal) == before


def test_copies_are_listed(shell: Shell, journal: Path) -> None:
    """With the newest looked at as a whole."""
    said = shell("restore --copies", journal.parent / "copies", "--to", journal)
    assert said.code == ExitCode.DONE
    assert ".copy" in said.out
    assert "the newest is whole" in said.out
