"""``weirkeeper status``: how a plant is, from its journal alone."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import pytest

from collector.cli.status import picture_lines
from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal import Journal, JournalReader
from collector.reports.picture import Picture, draw_picture
from tests.unit.cli.typed import ONE_SUMP, Shell, too_wide

NOON_US = 1_772_366_400_000_000  # 2026-03-01T12:00:00Z


@pytest.fixture
def picture(rich_journal: Path) -> Picture:
    """The picture of half a day at Osier Bend."""
    with JournalReader(rich_journal) as reader:
        found = draw_picture(rich_journal, reader)
    assert found is not None
    return found


def test_a_rich_journal_is_told_within_80_columns(rich_journal: Path, shell: Shell) -> None:
    """Every panel, well and machine by its whole name; code 1, because nobody is watching."""
    said = shell("status --journal", rich_journal)
    assert (said.code, said.err) == (ExitCode.ANSWER_IS_NO, "")
    assert too_wide(said.out) == []
    assert "! the collector is not running" in said.out.splitlines()
    for name in ("works", "meadow", "bowser", "collection_pump_1", "collection_pump_2", "mixer",
                 "filter", "equalization", "meadow_sump"):  # fmt: skip
        assert any(line.split()[:1] == [name] for line in said.out.splitlines()), name


def test_a_program_gets_the_same_figures(rich_journal: Path, shell: Shell) -> None:
    """Names, totals with their bounds, and what is wrong."""
    data = shell("status --json --journal", rich_journal).data
    assert data["troubles"][0] == "the collector is not running"
    assert {panel["panel"] for panel in data["panels"]} == {"works", "meadow", "bowser"}
    machines = {machine["machine"]: machine for machine in data["machines"]}
    mixer = machines["mixer"]
    assert mixer["run_low_s"] <= mixer["run_s"] <= mixer["run_high_s"]
    assert mixer["starts"] > 0
    assert machines["blower_1"]["starts_per_hour"] in range(10)  # whole starts in one hour


def test_a_watching_collector_with_nothing_wrong_is_code_0(tmp_path: Path, shell: Shell) -> None:
    """The picture names the process that watches."""
    now_us = NOON_US
    path = tmp_path / "journal"
    with Journal.open(path, wall_us=lambda: now_us, commit_period_s=0.0) as journal:
        said = shell("status --journal", path)
        assert (said.code, said.out) == (
            ExitCode.ANSWER_IS_NO,
            f"{path}: no plant has been watched yet\n",
        )
        text = ONE_SUMP.read_text(encoding="utf-8")
        journal.remember_configuration("plant", text, "0" * 64)
        journal.submit([Record(RecordKind.COLLECTOR, "collector.started", now_us, now_us, now_us)])
        journal.flush()
        with JournalReader(path) as reader:
            assert draw_picture(path, reader) is None  # no sign of life yet
    assert f"process {os.getpid()}" not in shell("status --journal", path).out


def test_the_longest_names_and_largest_figures_fit_too(picture: Picture) -> None:
    """48 characters, as the plant file allows, and a century of run hours."""
    long = "the_longest_name_that_the_plant_file_allows_here"
    assert len(long) == 48
    century_s = 100 * 365.25 * 86_400
    machines = [
        dataclasses.replace(
            machine, machine=f"{long[:-2]}_{number}", run_s=century_s, run_low_s=0.0,
            unknown_s=century_s, starts=12_345_678, starts_at_least=True, starts_per_hour=3600,
        )
        for number, machine in enumerate(picture.machines)
    ]  # fmt: skip
    changed = dataclasses.replace(
        picture,
        title=long * 2,
        machines=machines,
        panels=[dataclasses.replace(p, panel=long, state="lost", reason=long * 2)
                for p in picture.panels],
        wells=[dataclasses.replace(w, well=long, band=f"between {long} and {long}")
               for w in picture.wells],
        changes=[dataclasses.replace(c, point=f"{long}.{long}", reason=long)
                 for c in picture.changes],
        behind={long: 10**12, "store": 10**12},
    )  # fmt: skip
    lines = picture_lines(changed, NOON_US)
    assert too_wide("\n".join(lines)) == []
    text = "\n".join(lines)
    assert text.count("876600.0") == 3 * len(machines)  # 100 * 365.25 * 24 h
    assert ">=12345678" in text
    assert all(f"_{number} " in text for number in range(len(machines)))


def test_colour_and_marks_are_never_the_only_signal(picture: Picture) -> None:
    """What is wrong is said in words, on lines that begin with a mark; no escape codes at all."""
    lines = picture_lines(picture, picture.as_of_utc_us)
    assert not any("\x1b" in line for line in lines)
    assert [line for line in lines if line.startswith("! ")] == [
        f"! {trouble}" for trouble in picture.troubles(picture.as_of_utc_us)
    ]


@pytest.mark.parametrize("now_us", [-(1 << 62), 0, 1 << 62])
def test_a_wall_clock_that_has_gone_mad_brings_nothing_down(picture: Picture, now_us: int) -> None:
    """The picture is drawn whatever the time is."""
    assert too_wide("\n".join(picture_lines(picture, now_us))) == []
