"""``weirkeeper notices``: what was told to whom and when, what waits; and a test of the ways."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, Command, near
from collector.cli.options import add_journal, add_settings, positive, settings_of
from collector.cli.spans import DAY_US, open_journal, rfc3339_local
from collector.cli.tables import cut, local_time
from collector.clock import SystemClock
from collector.core.notices.notice import (
    ATTEMPTED,
    FAILED,
    GIVEN_UP,
    WANTED,
    Notice,
    notice_of,
)
from collector.core.notices.wording import trial_text
from collector.core.records import RecordKind
from collector.errors import CommandLineError, ExitCode, JournalError
from collector.intray import new_id
from collector.journal.reader import JournalReader
from collector.notices.outlet import deliver
from collector.notices.settings import NoticesSettings

USUAL_DAYS = 7.0
PAGE = 2_000
WAITING = (WANTED, ATTEMPTED, FAILED)
ABOUT = """A notice that is 'attempted' without a result may have arrived; it is made again
under the same Message-ID and says that it may be a repeat.

exit code 1: a notice waits, or a test did not get through
"""


@dataclass(frozen=True, slots=True)
class Line:
    """One notice and the last step of its life."""

    notice: Notice
    step: str
    wanted_utc_us: int
    utc_us: int


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--days", type=positive, default=USUAL_DAYS, metavar="DAYS",
        help=f"so far back ({USUAL_DAYS:g})",
    )  # fmt: skip
    parser.add_argument("--all", action="store_true", help="also those that were given up")
    parser.add_argument("--json", action="store_true", help="print JSON for a program")
    add_journal(parser)
    add_settings(parser)
    words = parser.add_subparsers(
        dest="word", metavar="WORD", title="words", help="what to do; without one, list"
    )
    summary = "send a test notice, from this command itself; it is not put on record"
    test = words.add_parser(
        "test", help=summary, description=f"{summary[0].upper()}{summary[1:]}.", allow_abbrev=False
    )
    test.add_argument("--to", required=True, metavar="PERSON", help="of the settings")
    test.add_argument("--way", metavar="WAY", help="only this of the person's ways")
    for option in ("--json",):
        test.add_argument(
            option, action="store_true", default=argparse.SUPPRESS, help="print JSON for a program"
        )
    add_journal(test)
    add_settings(test)
    for action in test._actions:
        if action.dest in ("journal", "settings"):  # else it would undo what stands before the word
            action.default = argparse.SUPPRESS


def execute(options: argparse.Namespace) -> Answer:
    """List, or test."""
    return _test(options) if options.word == "test" else _list(options)


# --- the list -------------------------------------------------------------------------------------


def _list(options: argparse.Namespace) -> Answer:
    reader, plant = open_journal(options)
    with reader:
        zone = ZoneInfo(plant.plant.time_zone)
        lines = read_notices(reader, round(options.days * DAY_US))
    shown = [line for line in lines if options.all or line.step != GIVEN_UP]
    data = [_row(line, zone) for line in shown]
    waits = any(line.step in WAITING for line in shown)
    if not shown:
        return Answer("no notice in that time", data)
    text: list[str] = []
    for line in shown:
        notice = line.notice
        tries = f", attempt {notice.attempt}" if notice.attempt > 1 else ""
        step = f"{line.step}{tries}"
        text.append(cut(f"{local_time(line.utc_us, zone)}  {notice.to}  {step}"))
        text.append(cut(f"  {notice.title or notice.kind}"))
        if notice.why:
            text.append(cut(f"  because: {notice.why}"))
    return Answer("\n".join(text), data, ExitCode.ANSWER_IS_NO if waits else ExitCode.DONE)


def read_notices(reader: JournalReader, back_us: int) -> list[Line]:
    """The notices of a time up to now with the last step of each, in the order of those steps.

    Args:
        reader: of the journal.
        back_us: how far back from the newest record.
    """
    newest = reader.recent(1)
    sequence = reader.sequence_at(newest[0].at_us - back_us) - 1 if newest else 0
    found: dict[str, Line] = {}
    while page := reader.records_after(sequence, PAGE, (RecordKind.NOTICE,)):
        for record in page:
            notice, step = notice_of(record)
            earlier = found.pop(notice.id, None)
            wanted_us = record.utc_us if earlier is None else earlier.wanted_utc_us
            found[notice.id] = Line(notice, step, wanted_us, record.utc_us)
        sequence = page[-1].sequence
    return list(found.values())


def _row(line: Line, zone: ZoneInfo) -> dict[str, Any]:
    notice = line.notice
    return {
        "at": rfc3339_local(line.utc_us, zone), "wanted": rfc3339_local(line.wanted_utc_us, zone),
        "person": notice.person, "way": notice.way, "kind": notice.kind, "step": line.step,
        "attempt": notice.attempt, "may_be_repeat": notice.may_be_repeat, "title": notice.title,
        "about": dict(notice.about), "why": notice.why, "id": notice.id,
    }  # fmt: skip


# --- the test -------------------------------------------------------------------------------------


def _test(options: argparse.Namespace) -> Answer:
    settings = settings_of(options).notices
    if settings is None:
        raise CommandLineError("the settings have no section 'notices', so nobody can be told")
    ways = _ways(settings, options.to, options.way)
    title, zone = _plant(options)
    utc_us = SystemClock().wall_us()
    text = trial_text(title, zone, options.to, utc_us)
    data: list[dict[str, Any]] = []
    said: list[str] = []
    for way in ways:
        outcome = deliver(settings, way, new_id(), text, utc_us)
        data.append({"person": options.to, "way": way, "taken": outcome.arrived,
                     "why": outcome.why})  # fmt: skip
        end = "was taken by the far side" if outcome.arrived else f"failed: {outcome.why}"
        said.append(f"{options.to}.{way}: {end}")
    all_taken = all(row["taken"] for row in data)
    return Answer("\n".join(said), data, ExitCode.DONE if all_taken else ExitCode.ANSWER_IS_NO)


def _ways(settings: NoticesSettings, name: str, way: str | None) -> list[str]:
    person = settings.people.get(name)
    if person is None:
        raise CommandLineError(f"there is no person '{name}'{near(name, settings.people)}")
    if way is None:
        return list(person.ways)
    if way not in person.ways:
        raise CommandLineError(f"{name} has no way '{way}'{near(way, person.ways)}")
    return [way]


def _plant(options: argparse.Namespace) -> tuple[str, tzinfo]:
    """Title and zone of the plant on record; a test works without one."""
    try:
        reader, plant = open_journal(options)
    except JournalError:
        return "weirkeeper", UTC
    reader.close()
    return plant.plant.title, ZoneInfo(plant.plant.time_zone)


COMMAND = Command(
    name="notices",
    summary="what was told to whom and when, what waits; test a way",
    example="weirkeeper notices --days 1",
    add_options=add_options,
    execute=execute,
    reads_json=False,
    about=ABOUT,
)
