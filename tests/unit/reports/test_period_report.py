"""The record of a period: its figures are the journal's, by SQL of the tests' own."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

import pytest
from pypdf import PdfReader

from collector.errors import CommandLineError
from collector.journal import Journal
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from collector.reports.period_report.files import write_report
from collector.reports.period_report.period import period_named
from tests.unit.cli.typed import ONE_SUMP, OSIER_BEND, Shell
from tests.unit.reports.alarms_on_paper import HOUR_US, MINUTE_US, NOON_US, cleared, noted, raised
from tests.unit.reports.watched_days import TOTALS, rows, watch

HOSTILE = '<script>alert("x")</script> & =1+1'
HOUR_S = 3600.0


@pytest.fixture(scope="module")
def plant() -> Plant:
    return read_plant_file(OSIER_BEND).plant


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return watch(tmp_path_factory.mktemp("watched"))


def written(journal: Path, plant: Plant, name: str, folder: Path, pdf: bool = False) -> list[Path]:
    with JournalReader(journal) as reader:
        period = period_named(name, reader, plant)
        return write_report(reader, plant, period, folder, pdf=pdf)


def table(paths: Sequence[Path], key: str) -> list[dict[str, str]]:
    """A CSV file, read by the standard library."""
    (path,) = [path for path in paths if path.name.endswith(f"_{key}.csv")]
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))


def test_figures_of_a_day_are_those_of_the_journal(
    journal: Path, plant: Plant, tmp_path: Path
) -> None:
    """Volumes, bounds, run hours and starts of 2 July, the one whole plant day, by SQL."""
    paths = written(journal, plant, "2026-07-02", tmp_path)
    for well in ("collection", "equalization", "meadow_sump"):
        ((_, _, volume, low, high),) = rows(journal, TOTALS, (f"{well}.volume_in.day",))[-1:]
        (day,) = table(paths, f"volumes_{well}")
        assert float(day["came_in_m3"]) == pytest.approx(volume, rel=1e-12)
        assert float(day["came_in_least_m3"]) == pytest.approx(low, rel=1e-12)
        assert float(day["came_in_most_m3"]) == pytest.approx(high, rel=1e-12)
        assert float(day["known_percent"]) == pytest.approx(100.0)
    machines = {row["machine"]: row for row in table(paths, "run_hours")}
    assert len(machines) == 12
    for name in ("collection_pump_1", "feed_pump_2", "blower_1", "mixer"):
        run_s = rows(journal, TOTALS, (f"{name}.run_hours.day",))[-1][2]
        starts = rows(journal, TOTALS, (f"{name}.starts.day",))[-1][2]
        assert float(machines[name]["run_hours"]) == pytest.approx(run_s / HOUR_S, rel=1e-9)
        assert float(machines[name]["starts"]) == starts


def test_air_filter_and_chemicals_are_those_of_the_journal(
    journal: Path, plant: Plant, tmp_path: Path
) -> None:
    """Totals of 2 July by SQL, which stand in SI units (s, m3) there."""
    paths = written(journal, plant, "2026-07-02", tmp_path)

    def day(name: str) -> tuple[float, float, float]:
        value, low, high = rows(journal, TOTALS, (f"{name}.day",))[-1][2:]
        return value, low, high

    (air,) = table(paths, "air")
    told = [float(air[f"without_air{which}_h"]) for which in ("", "_least", "_most")]
    assert told == pytest.approx([each / HOUR_S for each in day("blowers.time_without_air")])
    (cloth,) = table(paths, "filters")
    assert float(cloth["cleanings"]) == day("filter.cleanings")[0]
    assert float(cloth["wash_water_m3"]) == pytest.approx(day("filter.wash_water")[0])
    used = {row["dosing_pump"]: row for row in table(paths, "chemicals")}
    for name in ("coagulant", "hypochlorite"):
        value, low, _ = day(f"{name}.chemical_used")
        row = used[plant.equipment[name].title]
        assert float(row["used_l"]) == pytest.approx(1000 * value)
        assert float(row["used_least_l"]) == pytest.approx(1000 * low)


def test_service_files_and_chain_are_those_of_the_journal(
    journal: Path, plant: Plant, tmp_path: Path
) -> None:
    """Tasks by the newest record of each (kind 14), hashes by their own tables."""
    paths = written(journal, plant, "2026-07", tmp_path)
    due = rows(
        journal,
        "SELECT s.name, json_extract(r.value, '$.state') FROM record r "
        "JOIN subject s ON s.id = r.subject WHERE s.kind = 14 "
        "GROUP BY s.name HAVING r.sequence = max(r.sequence)",
    )
    wanted = {name: state for name, state in due if state in ("due soon", "due", "overdue")}
    assert {row["name"]: row["state"] for row in table(paths, "service_due")} == wanted != {}
    files = rows(journal, "SELECT kind, hash FROM configuration ORDER BY kind")
    assert sorted((row["file"], row["sha256"]) for row in table(paths, "files")) == files
    ((last, hash_),) = rows(journal, "SELECT number, hash FROM chain ORDER BY number DESC LIMIT 1")
    page = paths[0].read_text(encoding="utf-8")
    assert f"entries are 1 to {last}; the hash of the last is {hash_.hex()}." in page


def test_each_day_of_a_month_is_that_of_the_journal(
    journal: Path, plant: Plant, tmp_path: Path
) -> None:
    """A row a day up to the last sign; days that have not ended are unknown, not 0."""
    paths = written(journal, plant, "2026-07", tmp_path)
    for well in ("collection", "meadow_sump"):
        told = rows(journal, TOTALS, (f"{well}.volume_pumped.day",))
        days = table(paths, f"volumes_{well}")
        assert [day["day"] for day in days] == ["2026-07-01", "2026-07-02", "2026-07-03"]
        assert [float(day["pumped_m3"]) for day in days[:2]] == [each[2] for each in told]
        assert days[2]["pumped_m3"] == days[2]["came_in_m3"] == ""


def test_a_month_is_the_sum_of_its_days_and_says_what_is_missing(
    journal: Path, plant: Plant, tmp_path: Path
) -> None:
    """July as far as it went: totals add up, the rest is told as unfinished."""
    paths = written(journal, plant, "2026-07", tmp_path)
    told = rows(journal, TOTALS, ("blower_1.run_hours.day",))
    machines = {row["machine"]: row for row in table(paths, "run_hours")}
    assert float(machines["blower_1"]["run_hours"]) == pytest.approx(
        sum(value for _, _, value, _, _ in told) / HOUR_S, rel=1e-9
    )
    page = paths[0].read_text(encoding="utf-8")
    assert "the period is not finished" in page
    assert "Watching began at 2026-07-01 01:00:00+01:00." in page
    # 2.2 of 31 days were watched from one hour into the month on.
    (works,) = [row for row in table(paths, "availability") if row["panel"] == "works"]
    assert float(works["known_percent"]) == pytest.approx(100 * 2.2 / 31, abs=0.01)


def test_every_alarm_on_record_is_listed(journal: Path, plant: Plant, tmp_path: Path) -> None:
    """As many activations as the journal has alarms raised (kind 11), with their instants."""
    raised_ones = rows(
        journal,
        "SELECT s.name || '#' || json_extract(r.value, '$.activation') FROM record r "
        "JOIN subject s ON s.id = r.subject WHERE s.kind = 11 "
        "AND json_extract(r.value, '$.happening') = 'raised' ORDER BY r.sequence",
    )
    paths = written(journal, plant, "2026-07", tmp_path)
    listed = [] if not raised_ones else [row["alarm"] for row in table(paths, "alarms")]
    assert sorted(listed) == sorted(name for (name,) in raised_ones)


def test_the_same_journal_gives_the_same_bytes(journal: Path, plant: Plant, tmp_path: Path) -> None:
    """Page, CSV and PDF, written twice."""
    first = written(journal, plant, "2026-07", tmp_path / "a", pdf=True)
    second = written(journal, plant, "2026-07", tmp_path / "b", pdf=True)
    assert [path.name for path in first] == [path.name for path in second]
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]
    assert {path.stat().st_mode & 0o777 for path in first} <= {0o640, 0o600}


def test_the_pdf_is_the_page_on_a4_with_numbered_pages(
    journal: Path, plant: Plant, tmp_path: Path
) -> None:
    """Read back by another library; A4 is 595 by 842 points (ISO 216: 210 by 297 mm)."""
    _, path, *_ = written(journal, plant, "2026-07", tmp_path, pdf=True)
    pages = PdfReader(path).pages
    assert all(abs(page.mediabox.width - 595.28) < 1 for page in pages)
    assert all(abs(page.mediabox.height - 841.89) < 1 for page in pages)
    texts = [re.sub(r"\s+", " ", page.extract_text()) for page in pages]
    assert f"page 1 of {len(pages)}" in texts[0]
    assert "In short" in texts[0]
    whole = " ".join(texts)
    for expected in ("Lower Meadow lift sump", "Run hours and starts", "Cautions", "confined"):
        assert expected in whole


def test_what_people_wrote_is_text_and_nothing_else(tmp_path: Path) -> None:
    """A hostile title and note stay text in the page, and no formula in CSV."""
    sump = read_plant_file(ONE_SUMP)
    path = tmp_path / "weirkeeper.journal"
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as writer:
        writer.remember_configuration("plant", sump.text, sump.hash)
        writer.submit(
            [
                raised(0, since_us=-MINUTE_US, title=HOSTILE),
                cleared(HOUR_US),
                noted(2 * HOUR_US, cause="=1+1", corrective_action=HOSTILE),
            ]
        )
        assert writer.flush(10)
    paths = written(path, sump.plant, "2026-07", tmp_path / "out")
    page = paths[0].read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    (alarm,) = table(paths, "alarms")
    assert not alarm["cause"].startswith("=")
    assert "1+1" in alarm["cause"]
    assert float(alarm["stood_least_s"]) == HOUR_S


def test_a_period_without_anything_says_so(journal: Path, plant: Plant, tmp_path: Path) -> None:
    """A month before watching began: nothing is claimed, all of it is unknown."""
    paths = written(journal, plant, "2026-05", tmp_path)
    page = paths[0].read_text(encoding="utf-8")
    assert "No alarm was raised or stood." in page
    assert "Nothing of this period was watched." in page
    shares = [float(row["known_percent"]) for row in table(paths, "availability")]
    assert shares == [0.0, 0.0, 0.0]
    for machine in table(paths, "run_hours"):
        assert machine["run_hours"] == machine["run_hours_most"] == ""


@pytest.mark.parametrize(
    ("name", "hours"),
    [("2026-03", 31 * 24 - 1), ("2026-10", 31 * 24 + 1), ("2026-10-25", 25), ("2026", 365 * 24)],
)
def test_periods_follow_the_clocks_of_the_zone(
    journal: Path, plant: Plant, name: str, hours: int
) -> None:
    """Europe/London changes on the last Sundays of March and October (IANA time zone database)."""
    with JournalReader(journal) as reader:
        assert period_named(name, reader, plant).length_s == hours * HOUR_S


@pytest.mark.parametrize("name", ["2026-13", "2026-02-30", "July", "26-07", "2026-7", ""])
def test_what_is_no_period_is_refused(journal: Path, plant: Plant, name: str) -> None:
    """With what was found and what is expected."""
    with JournalReader(journal) as reader, pytest.raises(CommandLineError) as refused:
        period_named(name, reader, plant)
    assert f"found '{name}'" in str(refused.value)


def test_the_command_writes_and_names_the_files(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Once more over the same files, charts and all, with the same bytes; a directory that cannot
    be made is told in one sentence."""
    shell = Shell(capsys, monkeypatch)
    bytes_of_runs = []
    for _ in range(2):
        said = shell("report --period 2026-07 --no-pdf --journal", journal, "--out", tmp_path)
        assert said.code == 0
        assert said.out.splitlines()[0] == str(tmp_path / "osier_bend_2026-07.html")
        bytes_of_runs.append([Path(line).read_bytes() for line in said.out.splitlines()])
    assert bytes_of_runs[0] == bytes_of_runs[1]
    assert b"<svg" in bytes_of_runs[0][0]
    blocked = tmp_path / "file"
    blocked.write_text("")
    said = shell("report --period 2026-07 --no-pdf --journal", journal, "--out", blocked)
    assert said.code == 2
    assert "cannot be written" in said.err
    assert "Traceback" not in said.err
    assert shell("report --journal", journal, "--out", tmp_path).code == 2
