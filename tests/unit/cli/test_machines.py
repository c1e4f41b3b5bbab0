"""Machines by serial number, and how often they failed, from a journal written by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from collector.core.alarms.actions import action_text
from collector.core.process.machine_hours import MACHINE, NOT_ENTERED
from collector.core.records import ActionTaken, Quality, Record, RecordKind, Value
from collector.errors import ExitCode
from collector.journal import Journal
from collector.reports.alarm_history import build_history
from collector.reports.machines import failures_of
from tests.unit.cli.typed import ONE_SUMP, Shell, too_wide
from tests.unit.reports.alarms_on_paper import DAY_US, HOUR_US, NOON_US, cleared, moved, raised

FAULT, FAILED = "pump_1.pump_fault", "pump_1.pump_failed_to_start"
RULES = """
alarms:
  pump_fault:
    for: {each: pump}
    title: fault
    when: "this.in_fault"
    priority: medium
    causes: [rags]
    consequence: the other has to do its work
    response: lift it
    respond_within: 4 h
    caution: [confined space]
"""
MIDNIGHT_US = NOON_US - 13 * HOUR_US  # of 2026-07-01 in London, which is an hour ahead of UTC


def hours(at_us: int, value: float, serial: str, high: float | None, why: str = "") -> Record:
    return Record(
        RecordKind.DERIVED, "pump_1.machine_hours", at_us, at_us, at_us, value * 3600.0,
        Quality.UNCERTAIN if why else Quality.GOOD, MACHINE + serial + why, value * 3600.0,
        None if high is None else high * 3600.0,
    )  # fmt: skip


def entry(at_us: int, verb: str, **details: Value) -> Record:
    action = ActionTaken("pump_1", verb, at_us, "J. Sallow", {"id": f"{verb}{at_us}", **details})
    return Record(RecordKind.ACTION, "pump_1", at_us, at_us, at_us, action_text(action))


def day_of_running(day: int, value_h: float) -> Record:
    """The total of a day, told at its end."""
    begin_us, end_us = (MIDNIGHT_US + each * DAY_US for each in (day, day + 1))
    return Record(RecordKind.TOTAL, "pump_1.run_hours.day", end_us, end_us, begin_us,
                  value_h * 3600.0, low=value_h * 3600.0, high=value_h * 3600.0)  # fmt: skip


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Two replacements, the second void; ten days of 10 h; two failures of 2 h and of 3 h."""
    path = tmp_path / "journal"
    came_us = NOON_US + 4 * DAY_US
    records = [
        hours(NOON_US, 300.0, "OB-1", None, NOT_ENTERED),
        raised(HOUR_US, FAULT, priority="medium"),
        cleared(3 * HOUR_US, FAULT),
        entry(came_us, "replaced", serial_number="OB-7", meter_reading=20.0),
        hours(came_us, 340.0, "OB-1", None, NOT_ENTERED),
        hours(came_us, 20.0, "OB-7", 20.0),
        entry(came_us + DAY_US, "replaced", serial_number="OB-8"),
        hours(came_us + DAY_US, 0.0, "OB-8", None, NOT_ENTERED),
        entry(
            came_us + DAY_US + 1, "correction", of_entry=f"replaced{came_us + DAY_US}", void=True
        ),
        raised(6 * DAY_US, FAULT, activation=2, priority="medium"),
        cleared(6 * DAY_US + 3 * HOUR_US, FAULT, activation=2),
        *(day_of_running(day, 10.0) for day in range(10)),
        hours(NOON_US + 10 * DAY_US, 80.5, "OB-7", 81.0),
    ]
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0.0) as writer:
        writer.remember_configuration("plant", ONE_SUMP.read_text(encoding="utf-8"), "0" * 64)
        writer.remember_configuration("rules", json.dumps([["own.yaml", RULES]]), "1" * 64)
        writer.submit(sorted(records, key=lambda record: record.at_us))
        writer.flush()
    return path


def test_each_machine_has_its_hours_under_its_number(journal: Path, shell: Shell) -> None:
    """The old one ended where the new one came; the one declared void was never there."""
    answer = shell(f"runtime --machines --json --journal {journal}")
    rows = json.loads(answer.out)
    assert [(row["serial"], row["hours"]) for row in rows] == [
        ("OB-1", 340.0), ("OB-7", 80.5),
    ]  # fmt: skip
    first, second = rows[0], rows[1]
    assert (first["from"], first["to"]) == (None, "2026-07-05T13:00:00+01:00")
    assert (second["from"], second["to"]) == ("2026-07-05T13:00:00+01:00", None)
    listed = shell(f"runtime --machines --journal {journal}")
    assert "OB-7" in listed.out
    assert too_wide(listed.out) == []


def test_reliability_is_run_hours_by_failures(journal: Path, shell: Shell) -> None:
    """100 h and two failures, 5 h out of order: MTBF 50 h, 2.5 h each, 95.24 % available.

    By the definitions of IEC 60050-192, quoted from memory; the arithmetic is exact.
    """
    answer = shell(f"service reliability --json --journal {journal}")
    assert answer.code == ExitCode.DONE
    (row,) = json.loads(answer.out)["machines"]
    assert (row["operating_h"], row["failures"]) == (pytest.approx(100.0), 2)
    assert (row["mtbf_h"], row["mttr_h"]) == (pytest.approx(50.0), pytest.approx(2.5))
    assert row["availability"] == pytest.approx(50.0 / 52.5)
    listed = shell(f"service reliability --journal {journal}")
    assert "95.24 %" in listed.out
    assert too_wide(listed.out) == []


def test_reliability_of_a_part_of_it(journal: Path, shell: Shell) -> None:
    """Four days with one failure; of another time nothing is on record."""
    span = "--from 2026-07-01 --to 2026-07-04"
    answer = shell(f"service reliability --json {span} --journal {journal}")
    (row,) = json.loads(answer.out)["machines"]
    assert (row["operating_h"], row["failures"]) == (pytest.approx(40.0), 1)
    nothing = shell(f"service reliability --from 2026-05-01 --to 2026-05-02 --journal {journal}")
    assert nothing.code == ExitCode.ANSWER_IS_NO


def test_alarms_that_overlap_are_one_failure_and_suppressed_ones_none() -> None:
    """A fault for 4 h amid which it did not start either; one while the supply had failed; one
    that nobody saw for two of its three hours."""
    records = [
        raised(0, FAULT),
        raised(HOUR_US, FAILED),
        cleared(2 * HOUR_US, FAILED),
        cleared(4 * HOUR_US, FAULT),
        moved(10 * HOUR_US, "raised", FAULT, 2, state="suppressed by design"),
        cleared(12 * HOUR_US, FAULT, 2, state="suppressed by design"),
        raised(20 * HOUR_US, FAULT, activation=3),
        moved(21 * HOUR_US, "became unknown", FAULT, 3),
        moved(23 * HOUR_US, "became known", FAULT, 3),
        cleared(23 * HOUR_US, FAULT, activation=3),
    ]
    to_us = NOON_US + 2 * DAY_US
    past = build_history(records, NOON_US - 1, to_us, to_us)
    assert failures_of(past.activations, NOON_US - 1, to_us) == pytest.approx((2, 5.0, 2.0))
    # Only those that began in a time count; what lasts into it is time out of order.
    later_us = NOON_US + 3 * HOUR_US
    part = build_history(records, later_us, later_us + 10 * HOUR_US, to_us)
    found = failures_of(part.activations, later_us, later_us + 10 * HOUR_US)
    assert found == pytest.approx((0, 1.0, 0.0))
