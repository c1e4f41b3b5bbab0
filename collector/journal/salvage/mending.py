"""The chain of the audited record in a fresh journal: what fits stays, breaks say what is missing.

An entry fits if its hash is that of its content and of the entry before. Behind a loss the first
entry that is left cannot be proven, but all that follow hold on to it: it counts as lost, and its
hash is what the rest is built on. The record itself stays.

New entries come behind a break of their own, with numbers that were never used: what the lost end
of the chain held may have been told to a witness.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

import apsw

from collector.audit.chain import NO_HASH, Anchor, Break, Entry, hash_of, record_of
from collector.core.records import Record
from collector.journal import rows
from collector.journal.salvage.tables import Beside

CHAIN_SERIES = 1_000_000
MOST_BREAKS = 20


def next_series(newest: int, series: int) -> int:
    """The first multiple of a series that is more than half of one above a number.

    So whatever was numbered behind it and is lost does not come near what follows.
    """
    return ((newest + series // 2) // series + 1) * series


def mend_chain(into: apsw.Connection, beside: Beside) -> tuple[list[Break], int]:
    """Leave what fits in the table ``chain``, and fill ``chain_break`` and ``chain_anchor``.

    Returns:
        the breaks that are new, and how many entries are left.
    """
    anchor = beside.anchor or Anchor(0, NO_HASH)
    old = {
        (first, number): Break(first, number, digest)
        for number, first, digest in beside.breaks.values()
    }
    last, kept, breaks = anchor, anchor, list[Break]()
    gone: list[int] = []
    for entry in _entries(into, anchor.number):
        known = old.get((last.number + 1, entry.number - 1))
        if _fits(entry, last):
            if last != kept:
                breaks.append(Break(kept.number + 1, last.number, last.hash))
            kept = Anchor(entry.number, entry.hash)
        elif known is not None and last == kept and _fits(entry, Anchor(known.number, known.hash)):
            breaks.append(known)
            kept = Anchor(entry.number, entry.hash)
        else:
            gone.append(entry.number)
        last = Anchor(entry.number, entry.hash)
    if len(breaks) >= MOST_BREAKS:
        kept_number = breaks[MOST_BREAKS - 2].first - 1
        gone += [one for (one,) in into.execute(
            "SELECT number FROM chain WHERE number > ?", (kept_number,))]  # fmt: skip
        breaks = breaks[: MOST_BREAKS - 2]
        row = into.execute("SELECT hash FROM chain WHERE number = ?", (kept_number,)).get
        kept = Anchor(kept_number, row or anchor.hash)
    newest = max(last.number, kept.number, *beside.breaks, 0)
    tail = Break(kept.number + 1, next_series(newest, CHAIN_SERIES), kept.hash)
    breaks.append(tail)
    into.execute("DELETE FROM chain WHERE number <= ?", (anchor.number,))
    into.executemany("DELETE FROM chain WHERE number = ?", [(number,) for number in gone])
    into.executemany(
        "INSERT INTO chain_break VALUES (?, ?, ?)",
        [(gap.number, gap.first, gap.hash) for gap in breaks],
    )
    into.execute(
        "UPDATE chain_anchor SET number = ?, hash = ?, older = ?",
        (anchor.number, anchor.hash, beside.older),
    )
    left = into.execute("SELECT count(*) FROM chain").get
    return [gap for gap in breaks if gap not in old.values()], left


def _entries(into: apsw.Connection, after: int) -> Iterator[Entry]:
    """All entries in order; the page-wise reading lets the table be changed meanwhile."""
    while page := into.execute(
        "SELECT number, sequence, body, hash FROM chain WHERE number > ? ORDER BY number LIMIT 999",
        (after,),
    ).fetchall():
        yield from (Entry(*row) for row in page)  # type: ignore[arg-type]
        after = page[-1][0]  # type: ignore[assignment]


def _fits(entry: Entry, before: Anchor) -> bool:
    if entry.number != before.number + 1:
        return False
    if hash_of(before.hash, entry.body.encode()) != entry.hash:
        return False
    told = json.loads(entry.body)
    return (told["number"], told["sequence"]) == (entry.number, entry.sequence)


def restore_audited(into: apsw.Connection, beside: Beside) -> int:
    """Put back records that the chain holds and the table has lost, or holds otherwise.

    Returns:
        how many.
    """
    numbers = {key: number for number, key in beside.subjects.items()}
    restored = 0
    for entry in _entries(into, 0):
        record = record_of(entry)
        key = (int(record.kind), record.subject)
        subject = numbers.get(key)
        if subject is None:
            subject = numbers[key] = max(beside.subjects, default=0) + 1
            beside.subjects[subject] = key
            into.execute("INSERT INTO subject VALUES (?, ?, ?)", (subject, *key))
        row = into.execute(
            f"SELECT {rows.COLUMNS} FROM record WHERE sequence = ?",  # noqa: S608 — constant
            (entry.sequence,),
        ).fetchone()
        if row is not None and _same(record, row, subject):
            continue
        into.execute(
            "INSERT OR REPLACE INTO record VALUES (?,?,?,?,?,?,?,?,?)",
            rows.row(entry.sequence, record, subject, record.reason),
        )
        restored += 1
    return restored


def _same(record: Record, row: tuple[object, ...], subject: int) -> bool:
    """Whether a record's row says what its entry says; reasons are numbers there."""
    wanted = rows.row(record.sequence, record, subject, 0)
    return wanted[:5] == row[:5] and (wanted[5] == row[5] or _json(wanted[5]) == _json(row[5]))


def _json(value: object) -> object:
    try:
        return json.loads(value) if isinstance(value, str) else value
    except (ValueError, RecursionError):
        return value


def mend_eras(into: apsw.Connection, beside: Beside) -> dict[int, int]:
    """Eras as far as they are left, put right by the dates that the chain holds.

    Returns:
        wall time minus plant time, by the first sequence it holds for.
    """
    ends: Any = into.execute(
        "SELECT coalesce(min(sequence), 0), coalesce(max(sequence), 0) FROM record"
    ).fetchall()[0]
    first, newest = ends
    eras = {at: offset for at, offset in beside.eras.items() if at <= newest}
    proven = [(entry.sequence, record_of(entry)) for entry in _entries(into, 0)]
    offsets = [(sequence, record.utc_us - record.at_us) for sequence, record in proven]
    if not any(at <= first for at in eras):
        alive = beside.alive
        known = [offset for _, offset in offsets[:1]] + list(eras.values())[:1]
        known += [0] if alive is None else [alive.utc_us - alive.at_us, 0]
        eras[max(first, 1)] = known[0]
    _correct(eras, offsets)
    return dict(sorted(eras.items()))


def _correct(eras: dict[int, int], offsets: Iterable[tuple[int, int]]) -> None:
    """Where the chain dates a record otherwise than its era, the chain is right."""
    seen: set[int] = set()
    for sequence, offset in offsets:
        begins = max((at for at in eras if at <= sequence), default=None)
        if begins is None or eras[begins] == offset:
            seen.add(begins or 0)
            continue
        if begins in seen:
            eras[sequence] = offset
            seen.add(sequence)
        else:
            eras[begins] = offset
            seen.add(begins)
