"""``weirkeeper service`` and ``logbook``: what is due, what people enter, what is on record.

The calendar of due dates, RFC 5545, is read back by a library other than the one that writes it
(vobject). The records are made by hand.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
import vobject  # type: ignore[import-untyped]

from collector.core.alarms.actions import action_text
from collector.core.records import ActionTaken, Record, RecordKind, Value
from collector.errors import ExitCode
from collector.intray_files import waiting
from collector.journal import Journal
from tests.unit.cli.typed import ONE_SUMP, Shell, too_wide

NOON_US = 1_782_907_200_000_000  # 2026-07-01T12:00:00Z
DAY_US = 86_400_000_000
SERVICE = """
service:
  overhaul:
    for: {each: pump}
    title: overhaul
    every: {run_hours: 500 h}
    example: true
    minutes: 60
    parts: [seal kit]
    caution: [confined space]
  test_floats:
    for: {each: well}
    title: lift the floats
    every: {calendar: 1 month}
    minutes: 20
"""


def task(subject: str, state: str, **details: Value) -> Record:
    body = {"state": state, "title": subject, "because": "480 of 500 h run hours",
            "since": "2026-01-01", "counted_from": "entry", **details}  # fmt: skip
    return Record(RecordKind.SERVICE, subject, NOON_US, NOON_US, NOON_US, json.dumps(body))


def entry(number: int, about: str, verb: str, **details: Value) -> Record:
    at_us = NOON_US + number * 1_000_000
    action = ActionTaken(about, verb, at_us, "J. Sallow", {"id": f"entry{number}", **details})
    return Record(RecordKind.ACTION, about, at_us, at_us, at_us, action_text(action))


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Two tasks, one of them due, and three entries, one of which is corrected."""
    path = tmp_path / "journal"
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0.0) as writer:
        writer.remember_configuration("plant", ONE_SUMP.read_text(encoding="utf-8"), "0" * 64)
        writer.remember_configuration("service", json.dumps([["own.yaml", SERVICE]]), "1" * 64)
        writer.submit(
            [
                task("pump_1.overhaul", "due soon", due_early="2099-07-05", due_likely="2099-07-08",
                     due_late="2099-07-12", example=True),
                task("sump.test_floats", "overdue", due_early="2026-06-01",
                     due_likely="2026-06-01", due_late="2026-06-01"),
                entry(1, "sump", "reading", of="level", value=1.25, unit="m"),
                entry(2, "pump_1", "replaced", serial_number="OB-7",
                      done_at="2026-06-28T12:00:00Z"),
                entry(3, "sump", "correction", of_entry="entry1", corrected='{"value": 1.5}'),
            ]
        )  # fmt: skip
        writer.flush()
    return path


def test_what_is_due_comes_first(journal: Path, shell: Shell) -> None:
    """Exit code 1 says that something is due; the list is at most 80 columns wide."""
    answer = shell(f"service --journal {journal}")
    assert answer.code == ExitCode.ANSWER_IS_NO
    lines = answer.out.splitlines()
    assert "sump.test_floats" in lines[1]
    assert "overdue" in lines[1]
    assert "2099-07-08" in lines[3]
    assert "1 intervals are examples" in answer.out
    assert too_wide(answer.out) == []


def test_the_same_for_programs(journal: Path, shell: Shell) -> None:
    """Dates, range and visits."""
    data = json.loads(shell(f"service --json --journal {journal}").out)
    assert data["tasks"][1]["due_early"] == "2099-07-05"
    assert data["visits"][0]["tasks"] == ["sump.test_floats"]


def test_the_sheet_is_a_page_of_the_next_visit(journal: Path, shell: Shell, tmp_path: Path) -> None:
    """With ``--all`` of every task; cautions in full."""
    page = tmp_path / "sheet.html"
    assert shell(f"service sheet --all --out {page} --journal {journal}").code == ExitCode.DONE
    text = page.read_text(encoding="utf-8")
    assert "confined spaces" in text
    assert "seal kit" in text


def test_the_calendar_is_read_by_another_program(
    journal: Path, shell: Shell, tmp_path: Path
) -> None:
    """Each due date is an event of a whole day whose identity stays when the date moves."""
    file = tmp_path / "due.ics"
    shell(f"service calendar --out {file} --journal {journal}")
    calendar = vobject.readOne(file.read_bytes().decode())
    days = {event.uid.value: event.dtstart.value for event in calendar.vevent_list}
    park = next(iter(days)).split(".")[0]
    assert days[f"{park}.pump_1.overhaul@weirkeeper.invalid"] == date(2099, 7, 5)
    assert len(days) == 2


def test_closing_a_task_hands_an_entry_in(journal: Path, shell: Shell) -> None:
    """No collector runs here: the entry waits for it, with meter reading and name."""
    answer = shell(f"service done pump_1.overhaul --by Sallow --meter 512 --journal {journal}")
    assert answer.code == ExitCode.DONE
    assert "not running" in answer.out
    (handed,) = waiting(journal)
    body = json.loads(handed.data)
    assert (body["verb"], body["about"], body["task"]) == ("work_done", "pump_1", "overhaul")
    assert (body["meter_reading"], body["by"]) == (512.0, "Sallow")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("service done pump_1.overhaulx --by S", "did you mean 'pump_1.overhaul'"),
        ("logbook reading sumpp --of x --value 1 --unit m --by S", "did you mean 'sump'"),
        ("logbook haul sump --m3 1 --by S", "there is no sludge store 'sump'"),
        ("logbook reading sump --of x --value one --unit m --by S", "expected a number"),
        ("logbook correct entry9 --void --by S", "found 0 entries"),
        ("logbook correct entry1 --by S", "either --void or --set"),
        ("logbook reading sump --of x --value 1 --unit m --by S --at 2099-01-01", "yet to come"),
    ],
)
def test_what_cannot_be_meant_is_one_sentence(
    journal: Path, shell: Shell, typed: str, said: str
) -> None:
    """Exit code 2, nothing handed in."""
    answer = shell(f"{typed} --journal {journal}")
    assert answer.code == ExitCode.USAGE
    assert said in answer.err
    assert list(waiting(journal)) == []


def test_the_list_shows_entries_as_corrected_and_what_was_late(journal: Path, shell: Shell) -> None:
    """The correction counts; what was entered three days after is late."""
    data = json.loads(shell(f"logbook --json --journal {journal}").out)
    first, second = data
    assert (first["verb"], first["late"]) == ("replaced", True)
    assert second["details"]["value"] == 1.5
    assert second["corrected_by"] == ["entry3"]
    text = shell(f"logbook --journal {journal}").out
    assert "1 of 2 entered more than a day after" in text
    assert too_wide(text) == []
