"""The in-tray: a folder beside the journal in which commands leave what people have done.

The daemon alone writes the journal. A command therefore drops an action as a file, complete or not
at all, and the daemon takes it within a second; if it is not running, when it starts. The file goes
when the action is on record, and its id keeps it from being recorded twice.

The folder itself is ``intray_files.py``.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Collection, Mapping, Sequence
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
    """The same as ``hand_in_all`` for a single action."""
    return hand_in_all(journal, [action], wait_s, clock)[0]


def hand_in_all(
    journal: Path,
    actions: Sequence[Mapping[str, Value]],
    wait_s: float,
    clock: Clock | None = None,
) -> list[Outcome]:
    """Hand actions to the collector and wait until they are on record.

    Args:
        journal: its journal.
        actions: each as ``core/alarms/action_form.py`` describes; ``id`` and ``said`` are added
            where they are missing.
        wait_s: how long to wait at most.
        clock: wall time and waiting; None for the machine's own.

    Returns:
        what became of each, in the same order.

    Raises:
        CommandLineError: one says something the collector could only refuse; none was handed in.
        JournalError: the journal cannot be read, or its in-tray not be written.
    """
    clock = clock or SystemClock()
    with JournalReader(journal) as reader:
        before = reader.head()
        wall_us = clock.wall_us()
        texts = [_checked(action, wall_us) for action in actions]
        names = {action_id: _leave(journal, action_id, text, wall_us) for action_id, text in texts}
        until_us = clock.now_us() + round(wait_s * MICROSECONDS)
        resting = threading.Event()
        found: dict[str, Outcome] = {}
        while True:
            found |= _on_record(reader, before, names.keys() - found.keys())
            found |= _set_aside(journal, names, names.keys() - found.keys())
            if len(found) == len(names) or clock.now_us() >= until_us:
                break
            resting.wait(LOOK_EVERY_S)
    why = "the collector has not yet taken it up"
    if held_by(journal) is None:
        why = "the collector is not running; it will be taken up when it starts"
    return [found.get(action_id, Outcome(action_id, "waiting", why)) for action_id in names]


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
    action_id, text = _checked(action, wall_us)
    _leave(journal, action_id, text, wall_us)
    return action_id


def _checked(action: Mapping[str, Value], wall_us: int) -> tuple[str, bytes]:
    """The id of an action and the text of its file."""
    body = {"id": new_id(), "said": _rfc3339(wall_us), **action}
    text = json.dumps(body, ensure_ascii=False).encode("utf-8", "surrogatepass")
    checked = read_action(text, wall_us, 0)
    if isinstance(checked, str):
        raise CommandLineError(checked)
    return str(checked.details["id"]), text


def _leave(journal: Path, action_id: str, text: bytes, wall_us: int) -> str:
    """Write the file of an action; its name."""
    name = f"{wall_us:016d}-{action_id}.json"
    folder = folder_of(journal)
    try:
        make_folder(journal)
        write(folder, name, text)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise JournalError(f"nothing can be handed in at {folder}: {reason}") from error
    return name


def _on_record(reader: JournalReader, after: int, wanted: Collection[str]) -> dict[str, Outcome]:
    found: dict[str, Outcome] = {}
    while page := reader.records_after(after, 1_000, (RecordKind.ACTION,)):
        for record in page:
            details = action_of(record.subject, record.at_us, str(record.value)).details
            action_id = str(details.get("id"))
            if action_id in wanted:
                why = str(details.get("refused") or "")
                state: Literal["accepted", "refused"] = "refused" if why else "accepted"
                found[action_id] = Outcome(action_id, state, why, record.sequence)
        after = page[-1].sequence
    return found


def _set_aside(
    journal: Path, names: Mapping[str, str], wanted: Collection[str]
) -> dict[str, Outcome]:
    """The outcome of what the daemon could not take as an action."""
    found: dict[str, Outcome] = {}
    for action_id in wanted:
        why = folder_of(journal) / REFUSED / f"{names[action_id]}.why"
        with contextlib.suppress(OSError, UnicodeDecodeError):
            text = why.read_text(encoding="utf-8").strip()
            found[action_id] = Outcome(action_id, "refused", text)
    return found


def _rfc3339(utc_us: int) -> str:
    return local(utc_us, UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
