"""What a journal must be after a fault, told by the file itself and by what was acknowledged.

The records of a test count themselves: contact ``works.*`` has its number as value, so that what is
missing, there twice or out of its order shows. Facts that belong to a commit name the last number
in it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

import apsw

from collector.audit.chain import AUDITED
from collector.core.records import Record, RecordKind
from collector.errors import WeirkeeperError
from collector.journal import Journal, JournalReader
from tests.faults.tally import Findings
from tests.unit.journal.samples import START_US, contact, wall_us

ALL = 10**7
OUTLET = "store"


def last_number(records: Sequence[Record]) -> int | None:
    """The greatest number that records carry."""
    numbers = [r.value for r in records if r.kind is RecordKind.POINT and isinstance(r.value, int)]
    return max(numbers) if numbers else None


def state_after(number: int) -> str:
    """The engine's state of a test, which names the last number before it."""
    return json.dumps({"after": number})


def judge(path: Path, acknowledged: int, submitted: int | None, found: Findings) -> None:
    """Open a journal on a disk that works, go on with it, and note what is not as it must be.

    Args:
        path: the journal.
        acknowledged: the greatest number that was told as committed.
        submitted: the greatest number that was handed in at all; None if nobody knows.
        found: takes the sentences.
    """
    try:
        with Journal.open(path, wall_us=wall_us, outlets=[OUTLET], check_s=60.0) as journal:
            if not journal.checked:
                found.wrong.append("the check did not go through the whole file")
            head = journal.head
        last = _judge_file(path, head, acknowledged, submitted, found)
        with Journal.open(path, wall_us=wall_us, outlets=[OUTLET]) as journal:
            if not (journal.submit([contact(last + 1)]) and journal.flush(20.0)):
                found.crashed.append("nothing can be committed any more")
            if journal.head != head + 1:
                found.wrong.append(f"the record after {head} got the number {journal.head}")
    except WeirkeeperError as error:
        found.crashed.append(f"cannot go on: {error}")


def _judge_file(
    path: Path, head: int, acknowledged: int, submitted: int | None, found: Findings
) -> int:
    """The same; the greatest number that is there."""
    with apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY) as connection:
        said = connection.pragma("integrity_check")
    if said != "ok":
        found.wrong.append(f"the file is not sound: {said}")
    with JournalReader(path) as reader:
        records = reader.records_after(0, ALL)
        _judge_facts(reader, records, head, acknowledged, found)
        _judge_chain(reader, records, found)
    return _judge_records(records, acknowledged, submitted, found)


def _judge_records(
    records: list[Record], acknowledged: int, submitted: int | None, found: Findings
) -> int:
    """All up to the last are there, but for the oldest, which may have made room; the last."""
    mine = [r for r in records if r.kind is RecordKind.POINT and r.subject.startswith("works.")]
    numbers = [r.value for r in mine if isinstance(r.value, int)]
    last = numbers[-1] if numbers else 0
    if last < acknowledged:
        found.lost.append(f"{acknowledged} was acknowledged, {last} is the last that is there")
    if submitted is not None and last > submitted:
        found.wrong.append(f"{last} is there, {submitted} was the last that was handed in")
    if len(set(numbers)) != len(numbers):
        found.doubled.append("a record is there twice")
    if numbers != sorted(numbers):
        found.wrong.append("the records are not in their order")
    subjects = len({r.subject for r in mine})  # the newest of each stays, however old
    unbroken = numbers[subjects:]
    if unbroken and len(unbroken) != last - unbroken[0] + 1:
        found.lost.append(f"between {unbroken[0]} and {last} records are missing")
    if any(r.at_us != START_US + 1_000_000 * int(str(r.value)) for r in mine):
        found.wrong.append("a record does not have the time it was given")
    return last


def _judge_facts(
    reader: JournalReader, records: list[Record], head: int, acknowledged: int, found: Findings
) -> None:
    cursor = reader.cursor(OUTLET)
    if max(cursor.delivered, cursor.ahead_to) > head:
        found.wrong.append(f"the cursor is beyond the last record, {head}: {cursor}")
    state = reader.state()
    if state is not None:
        before = last_number([r for r in records if r.sequence <= state[0]])
        if before is not None and state[1] != state_after(before):
            found.wrong.append(f"the state '{state[1]}' stands behind {before}")
    alive = reader.alive()
    if alive is not None and alive.at_us < START_US + 1_000_000 * acknowledged:
        found.lost.append("the sign of life is older than what was committed with it")
    plant = reader.configuration_in_force("plant")
    if plant is not None and int(plant.text.rpartition(" ")[2]) < acknowledged:
        found.lost.append("the file in force is older than what was committed with it")


def _judge_chain(reader: JournalReader, records: list[Record], found: Findings) -> None:
    """Every hash reckoned anew by the definition: SHA-256 of the hash before it and the body."""
    entries = reader.chain_entries(0, ALL)
    anchor, last = reader.chain_anchor(), reader.chain_head()
    before = anchor.hash
    for number, entry in enumerate(entries, anchor.number + 1):
        body = json.loads(entry.body)
        right = (number, body["sequence"], sha256(before + entry.body.encode()).digest())
        if (entry.number, entry.sequence, entry.hash) != right or body["number"] != number:
            found.wrong.append(f"the chain is not whole at entry {number}")
            return
        before = entry.hash
    if (last.number, last.hash) != (anchor.number + len(entries), before):
        found.wrong.append("the end of the chain is not where it should be")
    chained = {entry.sequence for entry in entries}
    if not chained:
        return
    missing = [
        r.sequence
        for r in records
        if r.kind in AUDITED and r.sequence > min(chained) and r.sequence not in chained
    ]
    if missing:
        found.lost.append(f"audited records without an entry: {missing[:5]}")
