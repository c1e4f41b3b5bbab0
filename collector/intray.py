"""The in-tray: a folder beside the journal in which commands leave what people have done.

The daemon alone writes the journal. A command therefore drops an action as a file, complete or not
at all, and the daemon takes it within a second; if it is not running, when it starts. The file goes
when the action is on record, and its id keeps it from being recorded twice.

The folder itself is ``intray_files.py``.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Literal
from uuid import uuid4

from collector.clock import MICROSECONDS, Clock, SystemClock
from collector.core.alarms.action_form import read_action
from collector.core.alarms.actions import action_of
from collector.core.calendar import local
from collector.core.records import RecordKind, Value
from collector.errors import CommandLineError, JournalError
from collector.intray_files import REFUSED, folder_of, make_folder, write
from collector.journal.holder import held_by
from collector.journal.reader import JournalReader

LOOK_EVERY_S = 0.1


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an action that was handed in.

    Args:
        id: under which it is on record, or will be.
        state: ``waiting`` if it was not taken in time.
        why: why it was refused or still waits, as a sentence; empty where it was accepted.
        number: of its record in the journal, 0 where there is none.
    """

    id: str
    state: Literal["accepted", "refused", "waiting"]
    why: str = ""
    number: int = 0


def new_id() -> str:
    """An id no other action has."""
    return uuid4().hex


def hand_in(
    journal: Path, action: Mapping[str, Value], wait_s: float, clock: Clock | None = None
) -> Outcome:
    """Hand an action to the collector and wait until it is on record.

    Args:
        journal: its journal.
        action: as ``core/alarms/action_form.py`` describes; ``id`` and ``said`` are added where
            they are missing.
        wait_s: how long to wait at most.
        clock: wall time and waiting; None for the machine's own.

    Raises:
        CommandLineError: it says something the collector could only refuse.
        JournalError: the journal cannot be read, or its in-tray not be written.
    """
    clock = clock or SystemClock()
    with JournalReader(journal) as reader:
        before = reader.head()
        action_id, name = _leave(journal, action, clock.wall_us())
        until_us = clock.now_us() + round(wait_s * MICROSECONDS)
        resting = threading.Event()
        while True:
            found = _on_record(reader, before, action_id) or _set_aside(journal, name, action_id)
            if found is not None:
                return found
            if clock.now_us() >= until_us:
                break
            resting.wait(LOOK_EVERY_S)
    if held_by(journal) is None:
        return Outcome(action_id, "waiting", "the collector is not running; it will be taken up "
                       "when it starts")  # fmt: skip
    return Outcome(action_id, "waiting", "the collector has not yet taken it up")


def drop(journal: Path, action: Mapping[str, Value], wall_us: int) -> str:
    """Leave an action in the in-tray of a journal, complete or not at all; its id.

    Args:
        journal: the journal.
        action: see ``hand_in``.
        wall_us: UTC of this instant.

    Raises:
        CommandLineError: it says something the collector could only refuse.
        JournalError: it cannot be written.
    """
    return _leave(journal, action, wall_us)[0]


def _leave(journal: Path, action: Mapping[str, Value], wall_us: int) -> tuple[str, str]:
    """Leave it there; its id and the name of the file."""
    body = {"id": new_id(), "said": _rfc3339(wall_us), **action}
    text = json.dumps(body, ensure_ascii=False).encode("utf-8", "surrogatepass")
    checked = read_action(text, wall_us, 0)
    if isinstance(checked, str):
        raise CommandLineError(checked)
    action_id = str(body["id"])
    name = f"{wall_us:016d}-{action_id}.json"
    folder = folder_of(journal)
    try:
        make_folder(journal)
        write(folder, name, text)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise JournalError(f"nothing can be handed in at {folder}: {reason}") from error
    return action_id, name


def _on_record(reader: JournalReader, after: int, action_id: str) -> Outcome | None:
    while page := reader.records_after(after, 1_000, (RecordKind.ACTION,)):
        for record in page:
            taken = action_of(record.subject, record.at_us, str(record.value))
            if taken.details.get("id") == action_id:
                refused = taken.details.get("refused")
                state: Literal["accepted", "refused"] = "refused" if refused else "accepted"
                return Outcome(action_id, state, str(refused or ""), record.sequence)
        after = page[-1].sequence
    return None


def _set_aside(journal: Path, name: str, action_id: str) -> Outcome | None:
    """The outcome of what the daemon could not even read as an action."""
    try:
        why = (folder_of(journal) / REFUSED / f"{name}.why").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return Outcome(action_id, "refused", why.strip())


def _rfc3339(utc_us: int) -> str:
    return local(utc_us, UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
