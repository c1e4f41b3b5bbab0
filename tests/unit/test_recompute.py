"""``weirkeeper recompute``: the past derived again from the journal.

What it must give is known from the run that made the journal: the same with the same plant file,
and with another what that file makes of the same changes.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.plant_file import read_plant_file
from tests.unit.cli.conftest import shell as shell  # the fixture
from tests.unit.cli.scripted import (
    PLANT_TEXT,
    SECOND_US,
    hourly_runs,
    keep_plant,
    utc,
    write_journal,
)
from tests.unit.cli.typed import Shell, too_wide

BEGIN_US, END_US = utc("2026-03-25"), utc("2026-03-30T03:00")
SILENCE = (utc("2026-03-29T10:00"), utc("2026-03-29T12:00"))
# The filter's cleaning contact was mistaken for the pump's.
SWAPPED = PLANT_TEXT.replace("run: works.pump_run", "run: works.x").replace(
    "cleaning: works.cleaning", "cleaning: works.pump_run"
).replace("run: works.x", "run: works.cleaning")  # fmt: skip


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Five days in which the pump runs 10 min an hour."""
    return write_journal(tmp_path, hourly_runs(BEGIN_US, END_US), BEGIN_US, END_US, [SILENCE])


def records(path: Path) -> list[Record]:
    """All that is on record."""
    with JournalReader(path) as reader:
        return reader.records_after(0, 1_000_000)


def test_the_same_changes_with_the_same_file_give_the_same(shell: Shell, journal: Path) -> None:
    """From the begin of the journal every total comes out as it was told; nothing is written."""
    before = records(journal)
    said = shell("recompute --from 2026-03-25 --to 9999-12-30 --journal", journal)
    assert (said.code, said.err) == (ExitCode.DONE, "")
    assert "all are as on record" in said.out
    assert records(journal) == before


def test_run_time_needs_no_warm_up(shell: Shell, journal: Path) -> None:
    """What was known at the begin is taken from the journal: a machine that ran on still runs."""
    said = shell("recompute --from 2026-03-28T00:15:00Z --to 2026-03-29 --warm-up 0 --json "
                 "--dry-run --journal", journal)  # fmt: skip
    assert said.data["totals"] > 40
    assert [one for one in said.data["differences"] if ".run_hours.hour" in one["subject"]] == []


def test_a_corrected_file_counts_from_its_date_on_and_the_old_figures_stay(
    shell: Shell, journal: Path, tmp_path: Path
) -> None:
    """With the two contacts swapped the pump ran 3 min that day, not 4 h; before, all stays."""
    corrected = tmp_path / "corrected.yaml"
    corrected.write_text(SWAPPED, encoding="utf-8")
    old = records(journal)
    said = shell("recompute --from 2026-03-27 --to 2026-03-28 --json --plant", corrected,
                 "--journal", journal)  # fmt: skip
    assert said.code == ExitCode.DONE
    fresh = records(journal)[len(old) :]
    assert records(journal)[: len(old)] == old
    assert len(fresh) == said.data["written"] > 0
    assert {record.kind for record in fresh} == {RecordKind.TOTAL}
    hash_ = read_plant_file(corrected).hash
    assert all(record.reason.startswith("recomputed with plant file") for record in fresh)
    assert all(hash_[:12] in record.reason for record in fresh)
    assert all(utc("2026-03-27") <= record.after_us < utc("2026-03-29") for record in fresh)
    told = shell("runtime --from 2026-03-26 --to 2026-03-28 --equipment pump --json --journal",
                 journal).data  # fmt: skip
    hours = {row["begin"][:10]: (row["run_hours"], row["recomputed"]) for row in told}
    assert hours["2026-03-26"] == (pytest.approx(4.0), False)
    assert hours["2026-03-28"] == (pytest.approx(0.05), True)
    every = shell("runtime --all --from 2026-03-28 --to 2026-03-28 --equipment pump --journal",
                  journal).out  # fmt: skip
    assert "~pump" in every
    assert "4.000" in every


def test_recomputing_again_changes_nothing_more(
    shell: Shell, journal: Path, tmp_path: Path
) -> None:
    """What was recomputed counts as on record."""
    corrected = tmp_path / "corrected.yaml"
    corrected.write_text(SWAPPED, encoding="utf-8")
    line = "recompute --from 2026-03-27 --to 2026-03-28 --json --plant"
    assert shell(line, corrected, "--journal", journal).data["written"] > 0
    assert shell(line, corrected, "--journal", journal).data["written"] == 0


def test_a_figure_the_corrected_file_no_longer_has_is_superseded_by_none(
    shell: Shell, journal: Path, tmp_path: Path
) -> None:
    """Without a filter there is no cleaning time: unknown, not zero."""
    corrected = tmp_path / "corrected.yaml"
    lines = [line for line in PLANT_TEXT.splitlines() if "kind: filter" not in line]
    corrected.write_text("\n".join(lines) + "\n", encoding="utf-8")
    shell("recompute --from 2026-03-27 --to 2026-03-27 --plant", corrected, "--journal", journal)
    with JournalReader(journal) as reader:
        newest = [
            record
            for record in reader.history("filter.run_hours.day", 0, END_US, 100)
            if record.after_us == utc("2026-03-27")
        ][-1]
    assert newest.value is None
    assert newest.reason.endswith("; no longer derived")


def test_figures_of_whole_days_are_compared_and_not_written(shell: Shell, tmp_path: Path) -> None:
    """A clarifier of twice the surface has half the overflow rate on each day but the first, which
    is not watched for 24 h before it ends; with its own file all is as on record."""
    text = PLANT_TEXT + "  tank: {kind: clarifier, title: Tank, area_m2: 9.0, flow_from: sump}\n"
    path = write_journal(tmp_path, hourly_runs(BEGIN_US, END_US), BEGIN_US, END_US, text=text)
    corrected = tmp_path / "corrected.yaml"
    corrected.write_text(text.replace("area_m2: 9.0", "area_m2: 18.0"), encoding="utf-8")
    line = "recompute --dry-run --from 2026-03-26 --to 2026-03-28 --json --journal"
    same = shell(line, path)
    assert same.data["figures_of_days"] == 3
    assert same.data["day_differences"] == []
    before = records(path)
    said = shell(line.replace("--dry-run ", ""), path, "--plant", corrected)
    found = said.data["day_differences"]
    assert [one["subject"] for one in found] == ["tank.overflow_rate_day"] * 3
    assert [one["unit"] for one in found] == ["m/d"] * 3
    # The day under way when the file comes into force is still half of the other.
    for one in found[1:]:
        assert one["after"] == pytest.approx(0.5 * one["before"], rel=0.06)
    fresh = records(path)[len(before) :]
    assert RecordKind.DERIVED not in {record.kind for record in fresh}
    told = shell("recompute --dry-run --from 2026-03-26 --to 2026-03-28 --plant", corrected,
                 "--journal", path)  # fmt: skip
    assert "overflow rate day" in told.out
    assert "shown only" in told.out
    assert too_wide(told.out) == []


def test_the_file_in_force_then_is_used(shell: Shell, tmp_path: Path) -> None:
    """A file that came into force at noon of the second day counts from there on."""
    path = write_journal(tmp_path, hourly_runs(BEGIN_US, END_US), BEGIN_US, END_US)
    other = tmp_path / "other.yaml"
    other.write_text(PLANT_TEXT.replace("Works on paper", "Other words"), encoding="utf-8")
    with Journal.open(path, wall_us=lambda: END_US) as journal:
        keep_plant(journal, read_plant_file(other), END_US)
    said = shell("recompute --from 2026-03-27 --to 2026-03-28 --dry-run --json --journal", path)
    assert said.data["plant_files"] == [read_plant_file(tmp_path / "plant.yaml").hash]
    assert said.data["differences"] == []


def test_a_dry_run_writes_nothing_and_says_what_would_change(
    shell: Shell, journal: Path, tmp_path: Path
) -> None:
    """It may run beside a collector: it only reads."""
    corrected = tmp_path / "corrected.yaml"
    corrected.write_text(SWAPPED, encoding="utf-8")
    before = records(journal)
    with Journal.open(journal, wall_us=lambda: END_US):
        said = shell("recompute --dry-run --from 2026-03-28 --to 2026-03-28 --plant", corrected,
                     "--journal", journal)  # fmt: skip
    assert said.code == ExitCode.DONE
    assert "nothing was written" in said.out
    assert too_wide(said.out) == []
    assert records(journal) == before


def test_a_held_journal_is_refused_in_one_sentence(shell: Shell, journal: Path) -> None:
    """One process writes a journal; code 4."""
    with Journal.open(journal, wall_us=lambda: END_US):
        said = shell("recompute --from 2026-03-28 --journal", journal)
    assert (said.code, said.out) == (ExitCode.JOURNAL, "")
    assert "stop the collector to recompute, or compare with --dry-run" in said.err
    assert len(said.err.splitlines()) == 1


def test_what_is_missing_is_said(shell: Shell, tmp_path: Path) -> None:
    """No begin, no journal: one sentence each, and no journal is made."""
    said = shell("recompute --journal absent.journal")
    assert said.code == ExitCode.USAGE
    assert "--from is missing" in said.err
    said = shell("recompute --from 2026-03-28 --journal absent.journal")
    assert said.code == ExitCode.JOURNAL
    assert "there is no journal at" in said.err
    assert not (tmp_path / "absent.journal").exists()


def test_the_journal_goes_on_after_it(shell: Shell, journal: Path, tmp_path: Path) -> None:
    """State and last sign stay as the collector left them; numbers go on in order of plant time."""
    corrected = tmp_path / "corrected.yaml"
    corrected.write_text(SWAPPED, encoding="utf-8")
    with JournalReader(journal) as reader:
        before = (reader.state(), reader.alive())
    shell("recompute --from 2026-03-28 --to 2026-03-28 --plant", corrected, "--journal", journal)
    with JournalReader(journal) as reader:
        assert (reader.state(), reader.alive()) == before
        newest = reader.recent(2)
    assert newest[0].at_us >= newest[1].at_us >= END_US - 30 * SECOND_US
    assert json.loads(before[0][1] if before[0] else "")["points"]
