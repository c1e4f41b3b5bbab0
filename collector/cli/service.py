"""``weirkeeper service``: what is due, when, and why; the sheet of a visit; closing a task."""

from __future__ import annotations

import argparse
import textwrap
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event

from collector import __version__
from collector.cli import service_reliability
from collector.cli.command import Answer, Command, near
from collector.cli.logbook import add_done_at, enter, figure, words_of
from collector.cli.options import add_journal, add_settings
from collector.cli.spans import open_journal, when
from collector.cli.tables import WIDTH, cut, local_time, table
from collector.clock import SystemClock
from collector.core.calendar import local
from collector.core.records import Value
from collector.core.service.intervals import NOT_DUE
from collector.core.service.rule import ServiceRule
from collector.errors import CommandLineError, ExitCode
from collector.journal.reader import JournalReader
from collector.plant.equipment import Group
from collector.plant.model import Plant
from collector.reports.alarm_standing import standing_alarms
from collector.reports.eras import read_eras
from collector.reports.service import (
    TaskLine,
    Visit,
    balance_hints,
    read_service,
    rules_by_subject,
    visits_of,
)
from collector.reports.service_sheet import Sheet, due_text, sheet_data, sheet_html
from collector.reports.totals import read_totals
from collector.rules_in_force import service_in_force

BALANCE_DAYS = 30
INDENT = " " * 12
DAY_US = 86_400_000_000
WORKING = ("due", "overdue")
ABOUT = """words:
  (none)     every task that is due or will be, the most urgent first
  done       close a task: its interval begins anew
  sheet      the page of the next visit, as HTML or with --json as data
  calendar   due dates as iCalendar (RFC 5545)
  reliability   run hours between failures, by machine

exit code 1: something is due (with no word), an entry was refused (done)
Intervals marked as examples are to be replaced by the maker's figures.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the words and their options."""
    parser.add_argument("--json", action="store_true", help="print JSON for a program")
    add_journal(parser)
    add_settings(parser)
    words = parser.add_subparsers(
        dest="word", metavar="WORD", title="words", help="what to do; without one, the list"
    )
    done = words.add_parser("done", help="close a task", allow_abbrev=False)
    done.add_argument("task", metavar="EQUIPMENT.TASK", help="as the list shows it")
    done.add_argument("--by", type=words_of, required=True, metavar="NAME", help="who did it")
    done.add_argument("--meter", type=figure, metavar="HOURS", help="what the hour meter showed")
    done.add_argument("--at", type=when, metavar="INSTANT",
                      help="when it was done, if not now; a date or RFC 3339")  # fmt: skip
    done.add_argument("--comment", type=words_of, help="what was found")
    sheet = words.add_parser("sheet", help="the page of the next visit", allow_abbrev=False)
    sheet.add_argument("--out", type=Path, metavar="FILE", help="write HTML there")
    sheet.add_argument("--all", action="store_true", help="every task, due or not")
    calendar = words.add_parser("calendar", help="due dates as iCalendar", allow_abbrev=False)
    calendar.add_argument("--out", type=Path, metavar="FILE", help="write it there")
    for sub in (done, sheet, calendar, service_reliability.add_word(words)):
        sub.add_argument("--json", action="store_true", default=argparse.SUPPRESS,
                         help="print JSON for a program")  # fmt: skip
        for option in ("--journal", "--settings"):
            sub.add_argument(option, type=Path, default=argparse.SUPPRESS, help=argparse.SUPPRESS)


def execute(options: argparse.Namespace) -> Answer:
    """Do what the word says."""
    reader, plant = open_journal(options)
    with reader:
        if options.word == "reliability":
            return service_reliability.execute(options, reader, plant)
        lines = read_service(reader)
        if options.word == "done":
            about, details = _closing(options, lines, ZoneInfo(plant.plant.time_zone))
        else:
            rules = rules_by_subject(service_in_force(reader, plant))
            lines = [line for line in lines if f"{line.equipment}.{line.task}" in rules]
            if options.word == "sheet":
                return _sheet(options, reader, plant, lines, rules)
            if options.word == "calendar":
                return _calendar(options, plant, lines)
            return _list(reader, plant, lines, rules)
    return enter(options, about, "work_done", details)


# --- what is due --------------------------------------------------------------------------------


def _list(
    reader: JournalReader, plant: Plant, lines: list[TaskLine], rules: dict[str, ServiceRule]
) -> Answer:
    visits = visits_of(lines, rules, _today(plant))
    hints = _hints(reader, plant)
    data = {
        "tasks": [_row(line) for line in lines],
        "visits": [
            {
                "by": None if visit.by is None else visit.by.isoformat(),
                "minutes": visit.minutes,
                "tasks": [f"{line.equipment}.{line.task}" for line in visit.lines],
            }
            for visit in visits
        ],
        "hints": hints,
    }
    due = any(line.state in WORKING for line in lines)
    code = ExitCode.ANSWER_IS_NO if due else ExitCode.DONE
    if not lines:
        return Answer("no task of service is in force", data, code)
    rows = [[line.state, _when(line), f"{line.equipment}.{line.task}"] for line in lines]
    head, *told = table(("state", "when", "task"), rows, width=WIDTH)
    text = [head]
    for shown, line in zip(told, lines, strict=True):
        text.append(shown)
        if line.state != NOT_DUE:
            text += textwrap.wrap(line.because, WIDTH, initial_indent=INDENT,
                                  subsequent_indent=INDENT)  # fmt: skip
    text += ["", *_next_visit(visits)]
    examples = sum(line.example for line in lines)
    if examples:
        text.append(f"{examples} intervals are examples: put the makers' figures in their place")
    for hint in hints:
        text += textwrap.wrap(hint, WIDTH, subsequent_indent="    ")
    return Answer("\n".join(text), data, code)


def _next_visit(visits: list[Visit]) -> list[str]:
    if not visits:
        return []
    first = visits[0]
    tasks = ", ".join(f"{line.equipment}.{line.task}" for line in first.lines)
    minutes = f", about {first.minutes:.0f} min" if first.minutes else ""
    text = f"next visit by {first.by}{minutes}: {tasks}"
    return textwrap.wrap(text, WIDTH, subsequent_indent="    ")


def _when(line: TaskLine) -> str:
    if line.state in (*WORKING, "not known"):
        return "" if line.state == "not known" else "now"
    day = line.likely or line.early
    return "" if day is None else day.isoformat()


def _row(line: TaskLine) -> dict[str, Any]:
    return {
        "equipment": line.equipment, "task": line.task, "title": line.title, "state": line.state,
        "because": line.because, "since": line.since, "from_entry": line.from_entry,
        "used": line.used, "used_low": line.used_low, "used_high": line.used_high,
        "interval": line.interval, "unit": line.unit,
        **{
            name: None if day is None else day.isoformat()
            for name, day in (("due_early", line.early), ("due_likely", line.likely),
                              ("due_late", line.late))
        },
        "example": line.example,
    }  # fmt: skip


def _hints(reader: JournalReader, plant: Plant) -> list[str]:
    """Groups that are to take turns and do not, by the last month."""
    groups = {
        name: part.members
        for name, part in plant.equipment.items()
        if isinstance(part, Group) and part.duty == "alternating" and part.needed == 1
    }
    newest = reader.recent(1)
    if not groups or not newest:
        return []
    to_us = newest[0].utc_us
    hours: dict[str, float] = {}
    for line in read_totals(reader, read_eras(reader), "day", to_us - BALANCE_DAYS * DAY_US,
                            to_us + 1, ("run_hours",)):  # fmt: skip
        if not line.superseded:
            hours[line.equipment] = hours.get(line.equipment, 0.0) + (line.value or 0.0)
    return balance_hints(groups, hours)


# --- closing ------------------------------------------------------------------------------------


def _closing(
    options: argparse.Namespace, lines: list[TaskLine], zone: ZoneInfo
) -> tuple[str, dict[str, Value]]:
    """What is entered to close a task.

    Raises:
        CommandLineError: there is no such task.
    """
    known = [f"{line.equipment}.{line.task}" for line in lines]
    if options.task not in known:
        raise CommandLineError(f"there is no task '{options.task}'{near(options.task, known)}")
    equipment, _, task = options.task.partition(".")
    details: dict[str, Value] = {"task": task}
    if options.meter is not None:
        details["meter_reading"] = options.meter
    if options.comment:
        details["comment"] = options.comment
    add_done_at(options, details, zone)
    return equipment, details


# --- sheet and calendar -------------------------------------------------------------------------


def _sheet(
    options: argparse.Namespace, reader: JournalReader, plant: Plant, lines: list[TaskLine],
    rules: dict[str, ServiceRule],
) -> Answer:  # fmt: skip
    visits = visits_of(lines, rules, _today(plant))
    chosen = list(visits[0].lines) if visits else []
    if options.all:
        chosen = sorted(lines, key=lambda line: (rules[f"{line.equipment}.{line.task}"].order,
                                                 line.equipment, line.task))  # fmt: skip
    zone = ZoneInfo(plant.plant.time_zone)
    now_us = SystemClock().wall_us()
    alarms = [
        f"{line.priority}: {line.title}, since {local_time(line.since_utc_us, zone)}"
        for line in standing_alarms(reader)
    ]
    titles = {name: part.title for name, part in plant.equipment.items()}
    sheet = Sheet(
        plant.plant.title, local(now_us, zone).strftime("%Y-%m-%d %H:%M"), chosen, rules,
        {**titles, "plant": plant.plant.title}, alarms, _hints(reader, plant),
    )  # fmt: skip
    data = sheet_data(sheet)
    if options.out is None:
        text = [f"{task['place']}: {task['title']}, {task['due']}" for task in data["tasks"]]
        return Answer("\n".join([*map(cut, text), "", "--out FILE writes the page to print"]), data)
    options.out.write_text(sheet_html(sheet), encoding="utf-8")
    return Answer(f"{options.out}: {len(chosen)} tasks", data)


def _calendar(options: argparse.Namespace, plant: Plant, lines: list[TaskLine]) -> Answer:
    text = calendar_text(plant, lines, datetime.fromtimestamp(SystemClock().wall_us() / 1e6, UTC),
                         _today(plant))  # fmt: skip
    data = [_row(line) for line in lines if line.early is not None]
    if options.out is None:
        return Answer(text.rstrip("\n"), data)
    options.out.write_text(text, encoding="utf-8", newline="")
    return Answer(f"{options.out}: {len(data)} due dates", data)


def calendar_text(plant: Plant, lines: list[TaskLine], now: datetime, today: date) -> str:
    """Due dates as iCalendar: an event of the whole day on the cautious date of each task.

    Source: RFC 5545. A date that moves keeps its UID, so that a calendar moves the event.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//weirkeeper//{__version__}//EN")
    calendar.add("version", "2.0")
    for line in lines:
        if line.early is None:
            continue
        day = max(line.early, today) if line.state in WORKING else line.early
        event = Event()
        event.add("uid", f"{plant.plant.name}.{line.equipment}.{line.task}@weirkeeper.invalid")
        event.add("dtstamp", now)
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))
        event.add("summary", f"{line.title} ({line.state})")
        event.add("description", f"{line.because}; {due_text(line)}")
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return str(calendar.to_ical(), "utf-8")


def _today(plant: Plant) -> date:
    return local(SystemClock().wall_us(), ZoneInfo(plant.plant.time_zone)).date()


COMMAND = Command(
    name="service",
    summary="what service is due and when, the sheet of a visit, closing a task",
    example="weirkeeper service done blower_1.blower_intake_filter --by 'J. Sallow'",
    add_options=add_options,
    execute=execute,
    reads_json=False,
    about=ABOUT,
)
