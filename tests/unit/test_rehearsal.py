"""Rehearsing alarm rules: what they would have raised is what they did raise, where they ran live.

The truth is a desk that watched the simulated plant with the same rules while it ran.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.cli.month import START_US, run_month
from collector.errors import ConfigurationError, JournalError
from collector.journal import JournalReader
from collector.plant_file import PlantFile, read_plant_file
from collector.rehearsal import Rehearsed, rehearse
from collector.reports.alarm_comparison import compare
from collector.reports.alarm_history import read_history
from collector.reports.alarm_rows import Activation
from collector.reports.eras import read_eras
from collector.rule_files import read_rule_files
from tests.unit.cli.typed import OSIER_BEND, Shell, too_wide

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
WORDS = """
    priority: low
    causes: [it is tried]
    consequence: none
    response: none
    respond_within: 1 h
"""
RUNS = f"""
alarms:
  runs:
    for: {{each: pump}}
    title: runs
    when: this.run
    on_delay: 20 s
    off_delay: 5 s
{WORDS}
  often:
    for: {{each: pump}}
    title: ran often
    when: this.run
    more_than: {{times: 1, within: 3 h}}
{WORDS}
  not_run:
    for: {{each: pump}}
    title: has not run
    when: this.run
    not_within: 3 h
{WORDS}
"""
NEVER = f"""
alarms:
  short:
    for: {{one: collection_pump_1}}
    title: runs
    when: this.run
    on_delay: 1 s
{WORDS}
"""


@pytest.fixture(scope="module")
def plant_file() -> PlantFile:
    """The invented plant."""
    return read_plant_file(OSIER_BEND)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where rule files and the journal are."""
    place = tmp_path_factory.mktemp("rehearsed")
    (place / "runs.yaml").write_text(RUNS, encoding="utf-8")
    (place / "never.yaml").write_text(NEVER, encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def journal(folder: Path, plant_file: PlantFile) -> Path:
    """A day at Osier Bend with the rules of ``runs.yaml`` in force."""
    path = folder / "weirkeeper.journal"
    rules = read_rule_files([folder / "runs.yaml"], plant_file.plant)
    run_month(plant_file, path, days=1.0, seed=3, rules=rules)
    return path


def told(
    activations: tuple[Activation, ...], to_us: int = DAY_US
) -> list[tuple[str, int, int | None, float, float]]:
    """What matters of activations, as it was so long after the begin."""
    return [
        (
            one.subject, one.began_utc_us,
            one.ended_utc_us if (one.ended_utc_us or 0) < START_US + to_us else None,
            one.known_s, one.unknown_s,
        )
        for one in activations
    ]  # fmt: skip


def rehearsed(reader: JournalReader, rules: Path, from_us: int, to_us: int) -> Rehearsed:
    """A rehearsal of so long after the begin."""
    span = (START_US + from_us, START_US + to_us)
    return rehearse(reader, read_eras(reader), span, [rules])


def test_the_rules_that_were_in_force_raise_what_they_raised(journal: Path, folder: Path) -> None:
    """To the microsecond, over the whole of what is on record."""
    with JournalReader(journal) as reader:
        here = rehearsed(reader, folder / "runs.yaml", 0, DAY_US)
        then = read_history(reader, START_US, START_US + DAY_US)
    assert len(then.activations) > 50
    assert {one.rule for one in then.activations} == {"runs", "often", "not_run"}
    assert told(here.history.activations) == told(then.activations)
    assert here.untried == {}


def test_so_do_they_from_the_middle_on(journal: Path, folder: Path) -> None:
    """It begins far enough before the time asked for that windows and delays have been seen.

    When those that stood at its begin were raised is beyond what it looks at.
    """
    from_us, to_us = 12 * HOUR_US, 18 * HOUR_US
    with JournalReader(journal) as reader:
        here = rehearsed(reader, folder / "runs.yaml", from_us, to_us).history.activations
        then = read_history(reader, START_US + from_us, START_US + to_us).activations

    def begun(activations: tuple[Activation, ...]) -> list[tuple[object, ...]]:
        return [one for one in told(activations, to_us) if one[1] >= START_US + from_us]

    def stood(activations: tuple[Activation, ...]) -> set[tuple[object, ...]]:
        return {(one[0], *one[2:]) for one in told(activations, to_us)}

    assert begun(here) == begun(then)
    assert stood(here) == stood(then)


def test_other_rules_are_held_against_what_was_raised(journal: Path, folder: Path) -> None:
    """Alarms of the same name are matched by overlap; here none of the names is the same."""
    with JournalReader(journal) as reader:
        here = rehearsed(reader, folder / "never.yaml", 0, DAY_US)
        then = read_history(reader, START_US, START_US + DAY_US)
    pairs = compare(here.history.activations, then.activations)
    assert all((pair.here is None) is not (pair.then is None) for pair in pairs)
    own = compare(then.activations, then.activations)
    assert all(pair.here is pair.then for pair in own)


def test_a_rule_nobody_has_told_anything_of_is_named(
    journal: Path, folder: Path, tmp_path: Path
) -> None:
    """What the collector tells of itself was not told in this run."""
    rules = tmp_path / "own.yaml"
    rules.write_text(
        f"""
alarms:
  disk:
    for: {{one: collector}}
    title: disk is short
    when: collector.disk_short
{WORDS}
""",
        encoding="utf-8",
    )
    with JournalReader(journal) as reader:
        here = rehearsed(reader, rules, 0, DAY_US)
    assert here.untried == {"collector.disk": ("collector.disk_short",)}
    assert here.history.activations == ()


def test_wrong_rules_and_times_are_refused(journal: Path, tmp_path: Path) -> None:
    """With what is wrong, before anything is run."""
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(NEVER.replace("this.run", "this.runn"), encoding="utf-8")
    with JournalReader(journal) as reader:
        with pytest.raises(ConfigurationError, match="runn"):
            rehearsed(reader, wrong, 0, DAY_US)
        with pytest.raises(JournalError, match="begins after that time"):
            rehearsed(reader, tmp_path, -2 * DAY_US, -DAY_US)


# --- the command ----------------------------------------------------------------------------------

DAY = "--from 2026-07-01 --to 2026-07-01"


@pytest.fixture
def shell(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Shell:
    """Types command lines in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return Shell(capsys, monkeypatch)


def test_the_command_says_what_both_raised_and_how_good_they_are(
    journal: Path, folder: Path, shell: Shell
) -> None:
    """Counts, the list with lengths here and then, the performance of both."""
    line = f"rehearse {DAY} --rules {folder / 'runs.yaml'} --journal {journal}"
    said = shell(line)
    assert (said.code, said.err) == (0, "")
    assert too_wide(said.out) == []
    assert "0 only here" in said.out
    assert "0 only then" in said.out
    assert "with these rules:" in said.out
    data = shell(f"{line} --json").data
    assert {one["where"] for one in data["activations"]} == {"both"}
    assert data["performance_here"] == data["performance_then"]


def test_other_rules_differ(journal: Path, folder: Path, shell: Shell) -> None:
    """What they raise is only here, what was raised only then."""
    line = f"rehearse {DAY} --rules {folder / 'never.yaml'} --json --journal {journal}"
    data = shell(line).data
    where = {(one["alarm"].split(".")[1], one["where"]) for one in data["activations"]}
    assert ("short", "only here") in where
    assert ("runs", "only then") in where


def test_the_command_needs_a_begin_and_rules(journal: Path, folder: Path, shell: Shell) -> None:
    """One sentence each, code 2."""
    said = shell(f"rehearse --rules {folder / 'runs.yaml'} --journal {journal}")
    assert (said.code, said.err.count("\n")) == (2, 1)
    assert "--from is missing" in said.err
    said = shell(f"rehearse {DAY} --journal {journal}")
    assert (said.code, said.err.count("\n")) == (2, 1)
    assert "--rules" in said.err
