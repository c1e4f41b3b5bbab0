"""The audited record as reports read it: entries of the chain, opened once each.

The chain outlives the ordinary records, so what happened to alarms is read from it alone.
"""

from __future__ import annotations

import contextlib
import gc
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from collector.audit.chain import JSON_KINDS, KIND_OF, Entry
from collector.core.calendar import instant_us
from collector.core.records import Record, RecordKind
from collector.journal.reader import JournalReader

PAGE = 5_000
NOTHING: Mapping[str, Any] = {}


@dataclass(slots=True)
class Told:
    """One thing on record.

    Args:
        kind, subject, at_us, utc_us, after_us, reason: as in ``Record``.
        details: of an alarm, action or head, what its value says.
    """

    kind: RecordKind
    subject: str
    at_us: int
    utc_us: int
    after_us: int
    reason: str
    details: Mapping[str, Any]


def audited(reader: JournalReader) -> Iterator[Told]:
    """All of the audited record, in order."""
    number = reader.chain_anchor().number
    while page := reader.chain_entries(number, PAGE):
        number = page[-1].number
        for entry in page:
            yield told_in(entry)


@contextlib.contextmanager
def no_search_for_garbage() -> Iterator[None]:
    """Nothing here makes cycles; looking for some among a year's records costs as much as them."""
    searched = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if searched:
            gc.enable()


def told_in(entry: Entry) -> Told:
    """What an entry of the chain tells."""
    body = json.loads(entry.body)
    kind, value = KIND_OF[body["kind"]], body["value"]
    details = NOTHING
    if kind in JSON_KINDS:
        details = value if value.__class__ is dict else json.loads(value)
    utc: str = body["utc"]
    return Told(
        kind, body["subject"], int(body["at"]),
        instant_us(datetime.fromisoformat(utc)) if utc[-1] == "Z" else int(utc),
        int(body["after"]), body["reason"], details,
    )  # fmt: skip


def told_by(record: Record) -> Told:
    """The same of a record."""
    details = json.loads(str(record.value)) if record.kind in JSON_KINDS else NOTHING
    return Told(
        record.kind, record.subject, record.at_us, record.utc_us, record.after_us, record.reason,
        details,
    )  # fmt: skip
