"""A period's record over journals written by hand: what stood, what was lost, clock changes."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pytest

from collector.core.records import Quality, Record, RecordKind
from collector.journal import Journal
from collector.journal.reader import JournalReader
from collector.plant_file import read_plant_file
from collector.reports.period_report.files import write_report
from collector.reports.period_report.period import period_named
from tests.unit.cli.typed import ONE_SUMP
from tests.unit.reports.alarms_on_paper import (
    DAY_US,
    HOUR_US,
    NOON_US,
    cleared,
    lost,
    raised,
    returned,
)

TRIPPED = "pump_1.in_fault"


def after_noon(moment: str) -> int:
    """How long after noon of 1 July 2026 (UTC) an instant is, in microseconds."""
    return int(datetime.fromisoformat(moment).timestamp()) * 1_000_000 - NOON_US


def found(at_us: int, text: str | None, subject: str = TRIPPED) -> Record:
    """A finding begins to hold, or with None has ceased."""
    at_us += NOON_US
    return Record(RecordKind.FINDING, subject, at_us, at_us, at_us, text, Quality.GOOD)


def record_of(
    folder: Path, records: Sequence[Record], name: str
) -> tuple[str, dict[str, list[dict[str, str]]]]:
    """The page and the CSV files of a period, after some records."""
    sump = read_plant_file(ONE_SUMP)
    path = folder / "weirkeeper.journal"
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as writer:
        writer.remember_configuration("plant", sump.text, sump.hash)
        writer.submit(list(records))
        assert writer.flush(10)
    with JournalReader(path) as reader:
        period = period_named(name, reader, sump.plant)
        paths = write_report(reader, sump.plant, period, folder / "out", pdf=False)
    stem = f"lower_meadow_{name}_"
    tables = {
        each.stem.removeprefix(stem): list(
            csv.DictReader(io.StringIO(each.read_text(encoding="utf-8"), newline=""))
        )
        for each in paths
        if each.suffix == ".csv"
    }
    return paths[0].read_text(encoding="utf-8"), tables


def test_a_gap_over_the_hour_that_comes_twice_counts_in_full(tmp_path: Path) -> None:
    """Lost 23:30Z to 02:30Z around the end of summer time (01:00Z, 25 October 2026, IANA).

    That is 3 h of the 745 h of London's October.
    """
    begin, end = after_noon("2026-10-24T23:30Z"), after_noon("2026-10-25T02:30Z")
    records = [
        raised(0), cleared(HOUR_US),
        lost(begin, begin, "meadow"), returned(end, "meadow"),
        raised(after_noon("2026-11-02T00:00Z"), activation=2),
    ]  # fmt: skip
    page, tables = record_of(tmp_path, records, "2026-10")
    (panel,) = tables["availability"]
    assert float(panel["known_percent"]) == pytest.approx(100 * (1 - 3 / 745), abs=1e-9)
    (gap,) = tables["gaps"]
    assert gap["from"] == "2026-10-25 00:30:00+01:00"
    assert gap["to"] == "2026-10-25 02:30:00+00:00"
    assert float(gap["length_s"]) == 3 * 3600
    assert "was not known for 3 h (0.4 % of the time watched)" in page
    assert "not finished" not in page


def test_what_ended_only_after_the_period_stood_at_its_end(tmp_path: Path) -> None:
    """An alarm from 30 July 12:00Z to 3 August, in the record of July: it stood, 35 h of it."""
    records = [raised(29 * DAY_US), cleared(33 * DAY_US), found(34 * DAY_US, "later")]
    page, tables = record_of(tmp_path, records, "2026-07")
    assert "1 alarm stood at the end of the period." in page
    assert "still stood at the end" in page
    # London's July ends at 23:00Z on the 31st.
    assert float(tables["alarms"][0]["stood_least_s"]) == 35 * 3600
    assert ">1 d 11 h<" in page


def test_a_machine_out_of_order_is_told_with_how_often_and_how_long(tmp_path: Path) -> None:
    """In fault for 4 h, then for 2 h together with a failed start of 3 h: twice, 7 h in all."""
    failed = "pump_1.failed_to_start"
    records = [
        found(0, "tripped"), found(4 * HOUR_US, None),
        found(10 * HOUR_US, "tripped"), found(11 * HOUR_US, "no run", failed),
        found(12 * HOUR_US, None), found(13 * HOUR_US, None, failed),
        raised(40 * DAY_US),
    ]  # fmt: skip
    page, tables = record_of(tmp_path, records, "2026-07")
    (row,) = tables["out_of_order"]
    assert (row["machine"], row["times"], row["at_end"]) == ("pump_1", "2.0", "no")
    assert float(row["out_of_order_s"]) == 7 * 3600
    assert "Pump 1 was out of order 2 times, 7 h in all." in page
    assert "3 things looked wrong; none still did at the end." in page


def test_a_machine_that_stays_out_of_order_counts_to_the_last_sign(tmp_path: Path) -> None:
    """In fault from noon, the journal's last record a day later."""
    page, tables = record_of(tmp_path, [found(0, "tripped"), raised(DAY_US)], "2026-07")
    (row,) = tables["out_of_order"]
    assert (float(row["out_of_order_s"]), row["at_end"]) == (24 * 3600, "yes")
    assert "Pump 1 was out of order once, 1 d in all, and still was at the end." in page
    assert "the period is not finished" in page


def test_a_panel_that_has_not_come_back_is_unknown_to_the_end(tmp_path: Path) -> None:
    """Lost for good 6 h after watching began: 6 of 744 h of July are known."""
    records = [raised(0), cleared(1), lost(6 * HOUR_US, 6 * HOUR_US, "meadow"), raised(40 * DAY_US)]
    page, tables = record_of(tmp_path, records, "2026-07")
    (panel,) = tables["availability"]
    assert float(panel["known_percent"]) == pytest.approx(100 * 6 / 744, abs=1e-6)
    assert tables["gaps"][0]["to"] == "not yet"
    for machine in tables["run_hours"]:
        # From 13:00 London time of the 1st on 731 h were watched, less the 6 that are known.
        assert float(machine["unknown_hours"]) == pytest.approx(725)
    assert "alarms may have come and gone unseen" in page
