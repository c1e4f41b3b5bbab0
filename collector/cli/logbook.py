"""``weirkeeper logbook``: what people enter of work, readings, hauls and deliveries, and the list.

Every entry is part of the audited record. A mistake is corrected by an entry of its own; nothing is
edited.
"""

from __future__ import annotations

import argparse
import json
import textwrap
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, Command, near
from collector.cli.options import add_journal, add_settings, journal_path
from collector.cli.spans import (
    add_span,
    instant_of,
    open_journal,
    rfc3339_local,
    span_of,
    when,
)
from collector.cli.tables import WIDTH, table
from collector.core.alarms.actions import COMMAND_LINE, LONGEST_TEXT
from collector.core.calendar import local
from collector.core.records import Value
from collector.errors import CommandLineError, ExitCode
from collector.intray import Outcome, hand_in
from collector.plant.model import Plant
from collector.reports.logbook import EntryLine, read_entries

WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class Word:
    """A word after ``logbook`` that enters something.

    Args:
        verb: of ``core/alarms/actions.py``.
        summary: one line of help.
        kinds: kinds of equipment it may be about; empty for any, and for the plant.
        options: option, detail, type (``text``, ``number``, ``flag``), whether it is needed, help.
    """

    verb: str
    summary: str
    kinds: tuple[str, ...]
    options: tuple[tuple[str, str, str, bool, str], ...]


COMMENT = ("--comment", "comment", "text", False, "anything else for the record")
WORDS: dict[str, Word] = {
    "reading": Word("reading", "enter a figure read on site", (), (
        ("--of", "of", "text", True, "what was read, such as 'fill' of a sludge store"),
        ("--value", "value", "number", True, "the figure"),
        ("--unit", "unit", "text", True, "its unit, such as m3 or A"), COMMENT)),
    "sample": Word("sample", "enter the result of a sample", (), (
        ("--of", "of", "text", True, "what was determined"),
        ("--value", "value", "number", True, "the result"),
        ("--unit", "unit", "text", True, "its unit"),
        ("--laboratory", "laboratory", "text", False, "who determined it"), COMMENT)),
    "haul": Word("haul", "enter sludge that was hauled away", ("sludge_store",), (
        ("--m3", "volume_m3", "number", True, "how much, m3"),
        ("--floating-layers", "floating_layers", "flag", False,
         "the floating layers of the sumps went along"),
        ("--haulier", "haulier", "text", False, "who hauled it"),
        ("--ticket", "ticket", "text", False, "number of the ticket"), COMMENT)),
    "wasting": Word("wasting", "enter sludge that was moved into the store", ("sludge_store",), (
        ("--m3", "volume_m3", "number", True, "how much, m3"), COMMENT)),
    "screen-cleaned": Word("screen_cleaned", "enter that a screen was cleaned", ("screen",),
                           (COMMENT,)),
    "delivery": Word("delivery", "enter a chemical that was filled in", ("dosing_pump",), (
        ("--litres", "volume_l", "number", True, "how much, L"),
        ("--strength", "strength_g_per_l", "number", False, "its strength, g/L"), COMMENT)),
    "relocated": Word("relocated", "enter another hose, lift or place, from then on", (), (
        ("--change", "change", "text", True, "what is different now"),)),
    "replaced": Word("replaced", "enter another machine or meter, from then on", (), (
        ("--serial", "serial_number", "text", True, "serial number of the new one"),
        ("--meter", "meter_reading", "number", False, "what its hour meter showed, h"),
        ("--old-meter", "old_meter_reading", "number", False, "what the old one showed, h"),
        COMMENT)),
}  # fmt: skip
ABOUT = """Work of a task of service is entered by 'weirkeeper service done'.
exit code 1: the entry was refused
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the words and their options."""
    parser.add_argument("--json", action="store_true", help="print JSON for a program")
    add_span(parser)
    add_journal(parser)
    add_settings(parser)
    words = parser.add_subparsers(
        dest="word", metavar="WORD", title="words", help="what to enter; without one, the list"
    )
    for word, meant in WORDS.items():
        sub = words.add_parser(
            word, help=meant.summary, description=f"{meant.summary}.".capitalize(),
            allow_abbrev=False,
        )  # fmt: skip
        sub.add_argument("equipment", metavar="EQUIPMENT", help="which, by its name")
        for option, detail, kind, needed, text in meant.options:
            if kind == "flag":
                sub.add_argument(option, dest=detail, action="store_true", help=text)
            else:
                sub.add_argument(option, dest=detail, required=needed, help=text,
                                 type=figure if kind == "number" else words_of)  # fmt: skip
        _add_who(sub)
    correct = words.add_parser(
        "correct", help="correct an earlier entry, or declare it void", allow_abbrev=False,
        description="Correct an earlier entry by a new one.",
    )  # fmt: skip
    correct.add_argument("entry", metavar="ENTRY", help="its number, as the list shows it")
    correct.add_argument("--void", action="store_true", help="it should not have been made")
    correct.add_argument(
        "--set", dest="changes", action="append", default=[], metavar="NAME=VALUE",
        help="the right value of a detail; may be given several times",
    )  # fmt: skip
    correct.add_argument("--comment", type=words_of, help="why")
    _add_who(correct, done=False)


def _add_who(parser: argparse.ArgumentParser, *, done: bool = True) -> None:
    parser.add_argument("--by", type=words_of, required=True, metavar="NAME", help="who")
    if done:
        parser.add_argument("--at", type=when, metavar="INSTANT",
                            help="when it was done, if not now; a date or RFC 3339")  # fmt: skip
    parser.add_argument("--json", action="store_true", default=argparse.SUPPRESS,
                        help="print JSON for a program")  # fmt: skip
    for option in ("--journal", "--settings"):
        parser.add_argument(option, default=argparse.SUPPRESS, help=argparse.SUPPRESS)


def execute(options: argparse.Namespace) -> Answer:
    """Enter something, or list what was entered."""
    if options.word is None:
        return _list(options)
    reader, plant = open_journal(options)
    with reader:
        zone = ZoneInfo(plant.plant.time_zone)
        if options.word == "correct":
            about, verb, details = _correction(options, read_entries(reader))
        else:
            meant = WORDS[options.word]
            about, verb = options.equipment, meant.verb
            _check_about(about, meant, plant)
            details = _details(options, meant)
            add_done_at(options, details, zone)
    return enter(options, about, verb, details)


def enter(options: argparse.Namespace, about: str, verb: str, details: dict[str, Value]) -> Answer:
    """Hand an entry to the collector and say what became of it."""
    action: dict[str, Value] = {
        "verb": verb, "about": about, "by": options.by, "way": COMMAND_LINE, **details,
    }  # fmt: skip
    outcome = hand_in(journal_path(options), action, WAIT_S)
    data = {"about": about, "verb": verb, "id": outcome.id, "state": outcome.state,
            "why": outcome.why or None, "number": outcome.number or None}  # fmt: skip
    code = ExitCode.ANSWER_IS_NO if outcome.state == "refused" else ExitCode.DONE
    return Answer(_said(about, outcome), data, code)


def _said(about: str, outcome: Outcome) -> str:
    if outcome.state == "accepted":
        return f"{about}: entered as {outcome.id[:8]}"
    word = "refused" if outcome.state == "refused" else "handed in"
    return "\n".join(textwrap.wrap(f"{about}: {word}; {outcome.why}", WIDTH))


def _check_about(about: str, meant: Word, plant: Plant) -> None:
    fitting = [name for name, part in plant.equipment.items()
               if not meant.kinds or part.kind in meant.kinds]  # fmt: skip
    if not meant.kinds:
        fitting += [*plant.panels, "plant"]
    if about not in fitting:
        kinds = " or ".join(kind.replace("_", " ") for kind in meant.kinds) or "equipment"
        raise CommandLineError(f"there is no {kinds} '{about}'{near(about, fitting)}")


def _details(options: argparse.Namespace, meant: Word) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for _, detail, _, _, _ in meant.options:
        value = getattr(options, detail)
        if value not in (None, False):
            found[detail] = value
    return found


def add_done_at(options: argparse.Namespace, details: dict[str, Value], zone: ZoneInfo) -> None:
    """``--at`` as the detail ``done_at``; a date means its noon."""
    if options.at is None:
        return
    at_us = instant_of(options.at, zone)
    if len(options.at) == len("2026-07-01"):
        at_us += 12 * 3_600_000_000
    details["done_at"] = rfc3339_local(at_us, zone)


def _correction(
    options: argparse.Namespace, entries: list[EntryLine]
) -> tuple[str, str, dict[str, Value]]:
    matching = [line for line in entries if line.id.startswith(options.entry)]
    if len(matching) != 1:
        raise CommandLineError(
            f"found {len(matching)} entries whose number begins with '{options.entry}', "
            "expected one; 'weirkeeper logbook' lists them"
        )
    if options.void == bool(options.changes):
        raise CommandLineError("it needs either --void or --set NAME=VALUE")
    details: dict[str, Value] = {"of_entry": matching[0].id}
    if options.void:
        details["void"] = True
    else:
        details["corrected"] = json.dumps(dict(_change(each) for each in options.changes))
    if options.comment:
        details["comment"] = options.comment
    return matching[0].about, "correction", details


def _change(text: str) -> tuple[str, Value]:
    name, sign, value = text.partition("=")
    if not sign or not name:
        raise CommandLineError(f"found '{text}', expected NAME=VALUE such as volume_m3=12.5")
    try:
        return name, float(value)
    except ValueError:
        return name, value


# --- the list -----------------------------------------------------------------------------------


def _list(options: argparse.Namespace) -> Answer:
    reader, plant = open_journal(options)
    with reader:
        newest = reader.recent(1)
        span = span_of(options, plant, newest[0].utc_us if newest else 0)
        entries = [
            line for line in read_entries(reader)
            if options.from_text is None or span.from_utc_us <= line.done_utc_us < span.to_utc_us
        ]  # fmt: skip
    zone = span.zone
    rows = [
        [line.id[:8], local(line.done_utc_us, zone).date().isoformat(), line.about,
         line.verb.replace("_", " ") + (" (void)" if line.void else ""), line.by, line.said]
        for line in entries
    ]  # fmt: skip
    data = [_row(line, zone) for line in entries]
    if not rows:
        return Answer("nothing was entered", data)
    head = ("entry", "done", "about", "what", "by", "details")
    lines = table(head, rows, width=WIDTH)
    late = sum(line.late for line in entries)
    if late:
        lines += ["", f"{late} of {len(entries)} entered more than a day after it was done"]
    return Answer("\n".join(lines), data)


def _row(line: EntryLine, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "id": line.id, "about": line.about, "verb": line.verb, "by": line.by,
        "done": rfc3339_local(line.done_utc_us, zone),
        "told": rfc3339_local(line.told_utc_us, zone), "late": line.late, "void": line.void,
        "corrected_by": line.corrected_by, "details": line.details,
    }  # fmt: skip


def figure(text: str) -> float:
    """A number, for an option's ``type``."""
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"found '{text}', expected a number") from None


def words_of(text: str) -> str:
    """Something written for the record, for an option's ``type``."""
    said = " ".join(text.split())
    if not said or len(said) > LONGEST_TEXT:
        raise argparse.ArgumentTypeError(
            f"found {len(said)} characters, expected 1 to {LONGEST_TEXT}"
        )
    return said


COMMAND = Command(
    name="logbook",
    summary="enter readings, hauls, deliveries, replacements; list what was entered",
    example="weirkeeper logbook haul sludge_store --m3 12 --by 'J. Sallow'",
    add_options=add_options,
    execute=execute,
    reads_json=False,
    about=ABOUT,
)
