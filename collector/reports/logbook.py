"""The logbook as people read it: every entry, with what became of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from collector.core.alarms.actions import ALWAYS, LOGBOOK, action_of
from collector.core.calendar import instant_us
from collector.core.logbook import LATE_US
from collector.core.records import RecordKind, Value
from collector.journal.reader import JournalReader

PAGE = 2_000
UNTOLD = (*ALWAYS, "done_at")


@dataclass(frozen=True, slots=True)
class EntryLine:
    """One entry.

    Args:
        id: of the action.
        done_utc_us, told_utc_us: when it was done, and when it was entered.
        late: entered more than a day after it was done.
        void: declared void by a later entry.
        corrected_by: ids of corrections, in order.
        details: with corrections applied.
    """

    id: str
    about: str
    verb: str
    by: str
    done_utc_us: int
    told_utc_us: int
    late: bool
    details: dict[str, Value]
    void: bool = False
    corrected_by: tuple[str, ...] = ()

    @property
    def said(self) -> str:
        """The details in words."""
        told = [
            f"{name.replace('_', ' ')} {value:g}" if isinstance(value, float)
            else name.replace("_", " ") if value is True
            else f"{name.replace('_', ' ')} {value}"
            for name, value in self.details.items()
        ]  # fmt: skip
        return ", ".join(told)


def read_entries(reader: JournalReader) -> list[EntryLine]:
    """All entries, in the order in which the work was done."""
    found: dict[str, EntryLine] = {}
    sequence = 0
    while page := reader.records_after(sequence, PAGE, (RecordKind.ACTION,)):
        sequence = page[-1].sequence
        for record in page:
            action = action_of(record.subject, record.at_us, str(record.value))
            if action.verb not in LOGBOOK or action.details.get("refused"):
                continue
            key = str(action.details.get("id", ""))
            if action.verb == "correction":
                _correct(found, str(action.details.get("of_entry", "")), key, action.details)
            elif key not in found:
                done_us = _utc_us(action.details.get("done_at"), record.utc_us)
                found[key] = EntryLine(
                    key, action.about, action.verb, action.actor, done_us, record.utc_us,
                    record.utc_us - done_us > LATE_US,
                    {name: value for name, value in action.details.items() if name not in UNTOLD},
                )  # fmt: skip
    return sorted(found.values(), key=lambda line: (line.done_utc_us, line.told_utc_us))


def _correct(found: dict[str, EntryLine], of: str, by: str, details: Any) -> None:
    line = found.get(of)
    if line is None:
        return
    line = replace(line, corrected_by=(*line.corrected_by, by))
    if details.get("void") is True:
        found[of] = replace(line, void=True)
        return
    try:
        changes = json.loads(str(details.get("corrected", "{}")))
    except ValueError:
        changes = {}
    done_us = _utc_us(changes.pop("done_at", None), line.done_utc_us)
    found[of] = replace(line, details={**line.details, **changes}, done_utc_us=done_us, void=False)


def _utc_us(text: object, otherwise_us: int) -> int:
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        return otherwise_us
    return otherwise_us if at.tzinfo is None else instant_us(at)
