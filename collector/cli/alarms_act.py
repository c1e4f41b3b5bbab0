"""What people do about alarms: acknowledge, shelve, take out of service, reset, note.

Each is handed to the collector, which records who said it, when and with what reason, and does it.
If the collector is not running it does so when it starts.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, near
from collector.cli.options import add_journal, add_settings, journal_path
from collector.cli.spans import open_journal, rfc3339_local
from collector.cli.tables import WIDTH
from collector.clock import SystemClock
from collector.core.alarms.actions import COMMAND_LINE, LONGEST_TEXT, action_of
from collector.core.alarms.wire import alarm_of
from collector.core.calendar import instant_us
from collector.core.records import RecordKind, Value
from collector.errors import CommandLineError, ExitCode
from collector.intray import drop
from collector.journal.holder import held_by
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.alarm_standing import known_subjects, standing_alarms
from collector.rulebook.amounts import DURATION_PATTERN, DURATION_WORDS, duration_us
from collector.rules_in_force import rules_in_force

LONGEST_WAIT_US = 5_000_000
LOOK_EVERY_US = 100_000
LONGEST_NAME = 80
NOBODY = "the collector is not running; it is done when it starts"
NOT_YET = "the collector has not done it yet"


@dataclass(frozen=True, slots=True)
class Act:
    """One word after ``alarms`` that does something.

    Args:
        verb: of ``core/alarms/actions.py``.
        summary: one line of help.
        reason: whether a reason is wanted: ``needed``, ``taken`` or ``no``.
        done: what is said when it was done.
    """

    verb: str
    summary: str
    reason: str
    done: str


ACTS: dict[str, Act] = {
    "acknowledge": Act(
        "acknowledge", "say that you have seen alarms and will act", "no", "acknowledged"
    ),
    "shelve": Act("shelve", "set alarms aside until a time", "needed", "shelved"),
    "unshelve": Act("unshelve", "end a shelving before its time", "taken", "no longer shelved"),
    "out-of-service": Act(
        "out_of_service", "take alarms out of service", "needed", "out of service"
    ),
    "return-to-service": Act(
        "return_to_service", "put alarms back into service", "taken", "back in service"
    ),
    "reset": Act("reset", "reset latched alarms that have cleared", "no", "reset"),
    "note": Act("note", "write down what caused an alarm and what was done", "no", "noted"),
}


def add_act(parser: argparse.ArgumentParser, word: str) -> None:
    """Declare the options of one of ``ACTS``."""
    act = ACTS[word]
    several = word != "note"
    parser.add_argument(
        "alarms",
        nargs="*" if word == "acknowledge" else "+" if several else 1,
        metavar="ALARM",
        help="equipment.rule, as 'weirkeeper alarms' lists it",
    )
    if word == "acknowledge":
        parser.add_argument(
            "--all", action="store_true", help="every alarm that waits for acknowledgement"
        )
    if word == "shelve":
        ends = parser.add_mutually_exclusive_group(required=True)
        ends.add_argument(
            "--for", dest="for_us", type=_length_us, metavar="TIME", help="for so long, '8 h'"
        )
        ends.add_argument(
            "--until",
            type=_instant,
            metavar="INSTANT",
            help="until then, such as 2026-07-02T07:00+01:00",
        )
    if act.reason != "no":
        parser.add_argument(
            "--reason", type=_words, required=act.reason == "needed", help="why, for the record"
        )
    if word == "note":
        parser.add_argument(
            "--activation", type=int, metavar="N", help="which activation; the latest if not said"
        )
        parser.add_argument("--cause", type=_words, help="what caused it")
        parser.add_argument("--action", type=_words, help="what was done about it")
    if word in ("note", "acknowledge", "reset"):
        parser.add_argument("--comment", type=_words, help="anything else for the record")
    parser.add_argument(
        "--by", type=_name, required=True, metavar="NAME", help="who says so, for the record"
    )
    add_journal(parser)
    add_settings(parser)


def act(options: argparse.Namespace, word: str) -> Answer:
    """Hand the action over, wait a little, and say what became of it."""
    deed = ACTS[word]
    path = journal_path(options)
    reader, plant = open_journal(options)
    with reader:
        zone = ZoneInfo(plant.plant.time_zone)
        subjects = _subjects(options, reader, plant)
        if not subjects:
            return Answer("no alarm waits for acknowledgement", [])
        _check_activation(options, reader)
        now_us = SystemClock().wall_us()
        details = _details(options, now_us, zone)
        said: dict[str, Value] = {"verb": deed.verb, "by": options.by, "way": COMMAND_LINE}
        head = reader.head()
        handed = {
            drop(path, {**said, "about": subject, **details}, now_us): subject
            for subject in subjects
        }
        running = held_by(path) is not None
        outcome = asyncio.run(_outcome(reader, head, handed)) if running else {}
    return _answer(deed, handed, outcome, details, NOT_YET if running else NOBODY)


def _subjects(options: argparse.Namespace, reader: JournalReader, plant: Plant) -> list[str]:
    """The alarms meant.

    Raises:
        CommandLineError: a name that is none, with the nearest; or none at all.
    """
    known = known_subjects(reader, rules_in_force(reader, plant))
    for name in options.alarms:
        if name not in known:
            raise CommandLineError(f"there is no alarm '{name}'{near(name, known)}")
    if not getattr(options, "all", False):
        if not options.alarms:
            raise CommandLineError("it needs an ALARM, or --all")
        return list(dict.fromkeys(options.alarms))
    if options.alarms:
        raise CommandLineError("--all means every alarm, so it takes no names")
    return [line.subject for line in standing_alarms(reader) if line.waits]


def _check_activation(options: argparse.Namespace, reader: JournalReader) -> None:
    """Refuse a note about an activation that has not been."""
    number = getattr(options, "activation", None)
    if number is None:
        return
    (subject,) = options.alarms
    newest = reader.latest((RecordKind.ALARM,)).get((RecordKind.ALARM, subject))
    had = 0 if newest is None else alarm_of(newest).activation
    if not 1 <= number <= had:
        told = f"one of 1 to {had}" if had else "none: this alarm has not been raised"
        raise CommandLineError(f"--activation is {number}, expected {told}")


def _details(options: argparse.Namespace, now_us: int, zone: ZoneInfo) -> dict[str, Value]:
    """What belongs to the action, in the words of the record."""
    found: dict[str, Value] = {}
    if "until" in options:
        until_us = now_us + options.for_us if options.for_us else options.until
        if until_us <= now_us:
            until = rfc3339_local(until_us, zone)
            raise CommandLineError(f"--until is {until}, expected an instant to come")
        found["until"] = rfc3339_local(until_us, zone)
    named = {"reason": "reason", "activation": "activation", "cause": "cause",
             "action": "corrective_action", "comment": "comment"}  # fmt: skip
    for option, detail in named.items():
        value = getattr(options, option, None)
        if value is not None:
            found[detail] = value
    if "cause" in options and not {"cause", "corrective_action", "comment"} & found.keys():
        raise CommandLineError("a note needs --cause, --action or --comment")
    return found


async def _outcome(reader: JournalReader, head: int, handed: Mapping[str, str]) -> dict[str, str]:
    """Wait until the collector has recorded what was handed in.

    Returns:
        why each was refused, empty where it was not; what is missing is not on record yet.
    """
    clock = SystemClock(0)
    found: dict[str, str] = {}
    while len(found) < len(handed) and clock.now_us() < LONGEST_WAIT_US:
        await clock.sleep_until(clock.now_us() + LOOK_EVERY_US)
        for record in reader.records_after(head, len(handed) + 100, (RecordKind.ACTION,)):
            told = action_of(record.subject, record.at_us, str(record.value)).details
            if told.get("id") in handed:
                found[str(told["id"])] = str(told.get("refused") or "")
    return found


def _answer(
    deed: Act,
    handed: Mapping[str, str],
    outcome: Mapping[str, str],
    details: Mapping[str, Value],
    waiting: str,
) -> Answer:
    """What became of each; exit code 1 where one was refused."""
    lines, data = [], []
    until = f" until {details['until']}" if "until" in details else ""
    for number, subject in handed.items():
        refused = outcome.get(number)
        if refused is None:
            said = f"handed in; {waiting}"
        else:
            said = f"refused: {refused}" if refused else f"{deed.done}{until}"
        lines += textwrap.wrap(f"{subject}: {said}", WIDTH, subsequent_indent="    ")
        data.append(
            {
                "alarm": subject, "verb": deed.verb, "id": number,
                "done": refused == "", "refused": refused or None, "details": dict(details),
            }
        )  # fmt: skip
    code = ExitCode.ANSWER_IS_NO if any(outcome.values()) else ExitCode.DONE
    return Answer("\n".join(lines), data, code)


def _length_us(text: str) -> int:
    if not re.fullmatch(DURATION_PATTERN, text):
        raise argparse.ArgumentTypeError(f"found '{text}', expected {DURATION_WORDS}")
    return duration_us(text)


def _instant(text: str) -> int:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise argparse.ArgumentTypeError(
            f"found '{text}', expected an instant such as 2026-07-02T07:00:00+01:00"
        )
    return instant_us(at)


def _words(text: str) -> str:
    """Something written for the record."""
    said = " ".join(text.split())
    if not said or len(said) > LONGEST_TEXT:
        raise argparse.ArgumentTypeError(
            f"found {len(said)} characters, expected 1 to {LONGEST_TEXT}"
        )
    return said


def _name(text: str) -> str:
    said = _words(text)
    if len(said) > LONGEST_NAME:
        raise argparse.ArgumentTypeError(f"found {len(said)} characters, expected a name")
    return said
