"""``weirkeeper findings``: what a journal says is wrong, now and before."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.core.diagnosis.wording import MACHINE, PUMP, diagnosis
from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal import Journal
from tests.unit.cli.typed import ONE_SUMP, Shell, too_wide

NOON_US = 1_772_366_400_000_000  # 2026-03-01T12:00:00Z
HOUR_US = 3_600_000_000
WEAK = diagnosis(
    "Pump 1 gave 4.10 L/s in its last run", "That is 15 % less than in its reference time",
    "rag in the impeller", PUMP,
)  # fmt: skip
FAULT = diagnosis("Pump 2: its fault contact is made", "", "the overload relay", MACHINE)


def finding(subject: str, at_us: int, since_us: int, text: str | None) -> Record:
    """A record of a finding that begins to hold, or, without a text, ceases."""
    return Record(RecordKind.FINDING, subject, at_us, at_us, since_us, text)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Pump 2 tripped for an hour; pump 1 has been weak since eleven and is so still."""
    path = tmp_path / "journal"
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0.0) as journal:
        journal.remember_configuration("plant", ONE_SUMP.read_text(encoding="utf-8"), "0" * 64)
        tripped_us = NOON_US - 6 * HOUR_US
        journal.submit([
            finding("pump_2.in_fault", tripped_us, tripped_us, FAULT),
            finding("pump_2.in_fault", tripped_us + HOUR_US, tripped_us + HOUR_US, None),
            finding("pump_1.low_flow", NOON_US, NOON_US - HOUR_US, WEAK),
        ])  # fmt: skip
        journal.flush()
    return path


def test_what_stands_is_told_in_full_with_its_cautions(journal: Path, shell: Shell) -> None:
    """Only what stands, since when, its text, each caution it names once; code 1."""
    said = shell("findings --journal", journal)
    assert (said.code, said.err) == (ExitCode.ANSWER_IS_NO, "")
    assert too_wide(said.out) == []
    assert said.out.startswith("pump_1: low flow\n    since 2026-03-01 ")
    assert "15 % less" in said.out
    assert "pump_2" not in said.out
    for source in ("29 CFR 1910.146", "29 CFR 1910.147", "NIOSH"):
        assert said.out.count(source) == 1


def test_history_tells_what_is_over_too(journal: Path, shell: Shell) -> None:
    """In the order in which it began, with how long it lasted."""
    said = shell("findings --history --journal", journal)
    rows = [line.split() for line in said.out.splitlines()[1:3]]
    assert [row[0] for row in rows] == ["pump_2", "pump_1"]
    assert rows[0][-4:] == ["1", "h", "0", "min"]
    assert rows[1][-1] == "still"


def test_a_program_gets_every_word_of_it(journal: Path, shell: Shell) -> None:
    """Begin, conclusion and end as RFC 3339, and the text uncut."""
    data = shell("findings --history --json --journal", journal).data
    assert [row["finding"] for row in data] == ["in_fault", "low_flow"]
    assert data[0]["ended"] is not None
    assert data[1]["ended"] is None
    assert data[1]["text"] == WEAK


def test_one_piece_of_equipment_may_be_asked_for(journal: Path, shell: Shell) -> None:
    """Nothing stands of pump 2: code 0; a name that is none gets the nearest."""
    said = shell("findings --equipment pump_2 --journal", journal)
    assert (said.code, said.out) == (ExitCode.DONE, "nothing is wrong, as far as known\n")
    said = shell("findings --equipment pump_3 --journal", journal)
    assert said.code == ExitCode.USAGE
    assert "did you mean" in said.err


def test_what_left_the_plant_file_is_not_wrong_any_more(journal: Path, shell: Shell) -> None:
    """A pump that was taken out while its finding stood: history has it, the present does not."""
    with Journal.open(journal, wall_us=lambda: NOON_US, commit_period_s=0.0) as opened:
        opened.submit([finding("old_pump.low_flow", NOON_US + 1, NOON_US, WEAK)])
        opened.flush()
    assert "old_pump" not in shell("findings --journal", journal).out
    assert "old_pump" in shell("findings --history --journal", journal).out


def test_half_a_healthy_day_has_no_findings(rich_journal: Path, shell: Shell) -> None:
    """The demo's plant without faults, from its real journal."""
    said = shell("findings --journal", rich_journal)
    assert (said.code, said.out) == (ExitCode.DONE, "nothing is wrong, as far as known\n")
