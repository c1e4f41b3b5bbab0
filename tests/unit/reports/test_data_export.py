"""Exports hold what the journal holds: read back by csv, pandas, pyarrow and DuckDB, and by SQL."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import duckdb
import pandas  # type: ignore[import-untyped]
import pytest
from pyarrow import parquet  # type: ignore[import-untyped]

from collector.core.records import Quality, Record, RecordKind
from collector.errors import ExitCode
from collector.journal import Journal
from collector.plant_file import read_plant_file
from tests.unit.cli.typed import ONE_SUMP, OSIER_BEND, ROOT, Shell
from tests.unit.reports.alarms_on_paper import MINUTE_US, NOON_US
from tests.unit.reports.watched_days import TOTALS, rows, watch

HUGE = 2**70 + 1
HOSTILE = '=cmd|"x"\r\n,;€😀'


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return watch(tmp_path_factory.mktemp("watched"), 1.2)


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capsys, monkeypatch)


def export(shell: Shell, journal: Path, out: Path, options: str = "") -> Any:
    said = shell(f"export --json {options} --journal", journal, "--out", out)
    assert said.code == 0, said.err
    return said.data


def only(folder: Path, pattern: str) -> Path:
    (found,) = folder.rglob(pattern)
    return found


def test_every_form_holds_every_record(shell: Shell, journal: Path, tmp_path: Path) -> None:
    """Counts by kind and sums of figures are those of the journal's own table."""
    counts = dict(rows(journal, "SELECT s.kind, count(*) FROM record r JOIN subject s ON "
                       "s.id = r.subject GROUP BY s.kind"))  # fmt: skip
    total = sum(counts.values())
    words = {kind.word: counts.get(int(kind), 0) for kind in RecordKind if int(kind) in counts}
    assert export(shell, journal, tmp_path, "--format csv")["records"] == total
    export(shell, journal, tmp_path, "--format jsonl")
    export(shell, journal, tmp_path, "--format parquet")
    with only(tmp_path, "*.csv").open(encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file))
    assert {word: sum(row["kind"] == word for row in read) for word in words} == words
    frame = pandas.read_csv(only(tmp_path, "*.csv"), low_memory=False)
    lines = [json.loads(line) for line in only(tmp_path, "*.jsonl").read_text().splitlines()]
    table = parquet.read_table(only(tmp_path, "*.parquet"), partitioning=None)
    assert len(frame) == len(lines) == table.num_rows == total
    assert [line["sequence"] for line in lines] == table.column("sequence").to_pylist()
    run_s = sum(value for _, _, value, _, _ in rows(journal, TOTALS, ("blower_1.run_hours.hour",)))
    hours = sum(
        line["value"] for line in lines
        if line["subject"] == "blower_1.run_hours.hour" and line["kind"] == "total"
    )  # fmt: skip
    assert hours == pytest.approx(run_s / 3600)


def test_what_is_asked_for_is_exported_and_nothing_else(
    shell: Shell, journal: Path, tmp_path: Path
) -> None:
    """A point and a quantity add up; a time is cut at its ends (by SQL)."""
    options = "--point works.collection_low --quantity inflow --from 2026-07-01T06:00:00Z"
    export(shell, journal, tmp_path, f"{options} --to 2026-07-01T12:00:00Z")
    frame = pandas.read_csv(only(tmp_path, "*.csv"))
    assert set(frame["subject"]) >= {"works.collection_low", "collection.inflow"}
    names = {name.partition(".")[0] for name in frame["name"]}
    assert {"collection_low", "inflow"} <= names <= {
        "collection_low", "inflow", "inflow_least", "inflow_greatest",
    }  # fmt: skip
    begin = 1_782_864_000_000_000 + 6 * 3_600_000_000
    ((count,),) = rows(
        journal,
        "SELECT count(*) FROM record r JOIN subject s ON s.id = r.subject WHERE s.kind = 1 "
        "AND s.name = 'works.collection_low' AND r.at_us >= ? AND r.at_us < ?",
        (begin, begin + 6 * 3_600_000_000),
    )
    assert (frame["kind"] == "point").sum() == count > 0


def test_odd_values_survive(shell: Shell, tmp_path: Path) -> None:
    """Unknown values, contacts, integers beyond 64 bits and hostile text, in all three forms."""
    path = tmp_path / "weirkeeper.journal"
    sump = read_plant_file(ONE_SUMP)
    at = NOON_US + MINUTE_US
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as writer:
        writer.remember_configuration("plant", sump.text, sump.hash)
        writer.submit(
            [
                Record(RecordKind.POINT, "panel.high", at, at, NOON_US, True),
                Record(RecordKind.POINT, "panel.odd", at, at, at, HUGE),
                Record(RecordKind.DERIVED, "sump.level", at, at, at, None, Quality.BAD, HOSTILE,
                       0.0, 1.5),
                Record(RecordKind.DERIVED, "sump.level_band", at, at, at, HOSTILE),
            ]
        )  # fmt: skip
        assert writer.flush(10)
    for form in ("csv", "jsonl", "parquet"):
        export(shell, path, tmp_path / "out", f"--format {form}")
    lines = [json.loads(line) for line in only(tmp_path, "*.jsonl").read_text().split("\n") if line]
    contact, odd, level, band = lines
    assert (contact["value"], contact["text"]) == (1.0, "made")
    assert contact["begin_utc"] == "2026-07-01T12:00:00.000000Z"
    assert odd["text"] == str(HUGE)
    assert (level["value"], level["low"], level["high"]) == (None, 0.0, 1.5)
    assert (level["quality"], level["reason"]) == ("bad", HOSTILE)
    assert band["text"] == HOSTILE
    table = parquet.read_table(only(tmp_path, "*.parquet"), partitioning=None).to_pylist()
    assert [row["text"] for row in table] == ["made", str(HUGE), None, HOSTILE]
    assert table[2]["value"] is None
    with only(tmp_path, "*.csv").open(encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file))
    assert read[3]["text"] == f"'{HOSTILE}", "harmless in a spreadsheet"
    assert read[2]["value"] == ""


def test_the_files_of_many_plants_are_one_query(
    shell: Shell, journal: Path, tmp_path: Path
) -> None:
    """The query that ships, by DuckDB over two plants, equals SQL on each journal."""
    other = tmp_path / "other"
    other.mkdir()
    copy = other / "weirkeeper.journal"
    sump = OSIER_BEND.read_text().replace("name: osier_bend", "name: willow_camp", 1)
    watched = watch(other, 1.1)
    assert watched == copy
    with Journal.open(copy, wall_us=lambda: NOON_US) as writer:
        writer.remember_configuration("plant", sump, "another")
        assert writer.flush(10)
    fleet = tmp_path / "fleet"
    for path in (journal, copy):
        export(shell, path, fleet, "--format parquet")
    query = (ROOT / "deploy" / "fleet.sql").read_text().replace("'fleet/", f"'{fleet}/")
    found = duckdb.connect().execute(query).fetchall()
    assert {row[0] for row in found} == {"osier_bend", "willow_camp"}
    for plant, path in (("osier_bend", journal), ("willow_camp", copy)):
        told = rows(path, TOTALS, ("collection.volume_pumped.day",))
        volumes = [row[4] for row in found if row[0] == plant and row[2] == "collection"]
        assert volumes == pytest.approx([value for _, _, value, _, _ in told])


def test_the_same_journal_gives_the_same_bytes(shell: Shell, journal: Path, tmp_path: Path) -> None:
    """Each form twice; files are closed to others."""
    for folder in ("a", "b"):
        for form in ("csv", "jsonl", "parquet"):
            export(shell, journal, tmp_path / folder, f"--format {form} --equipment blower_1")
    names = sorted(
        p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file()
    )
    assert len(names) == 5
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
        assert (tmp_path / "a" / name).stat().st_mode & 0o007 == 0


def test_the_dictionary_explains_every_subject_and_column(
    shell: Shell, journal: Path, tmp_path: Path
) -> None:
    """No subject of the rows lacks its entry, and none its meaning."""
    export(shell, journal, tmp_path)
    told = json.loads(only(tmp_path, "*_dictionary.json").read_text())
    frame = pandas.read_csv(only(tmp_path, "*.csv"), low_memory=False)
    assert list(told["columns"]) == list(frame.columns)
    assert {each["subject"] for each in told["subjects"]} == set(frame["subject"])
    assert all(each["means"] and each["title"] for each in told["subjects"])
    assert set(frame["kind"]) <= set(told["kinds"])


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ("--quantity inflo", "did you mean 'inflow'"),
        ("--equipment blower_9", "did you mean 'blower_"),
        ("--kind totals", "did you mean 'total'"),
        ("--point works.blower_1_rum", "did you mean 'works.blower_1_run'"),
    ],
)
def test_a_wrong_name_is_met_with_the_nearest(
    shell: Shell, journal: Path, tmp_path: Path, options: str, expected: str
) -> None:
    """In one sentence, and nothing is written."""
    said = shell(f"export {options} --journal", journal, "--out", tmp_path / "out")
    assert said.code == ExitCode.USAGE
    assert expected in said.err
    assert not (tmp_path / "out").exists()
