"""A fresh journal out of a damaged one, with numbers that everybody outside can trust.

Consumers drop repeats by the journal's id and the sequence, so a sequence must never come again
with other content. The id stays where it can be read: what was confirmed before and is sent again
is then known as a repeat, and the signatures of the heads, which cover the id, stay good. New
records are numbered from the next thousand million on: whatever was numbered in the part that is
lost, even if it was published, does not come near that (at a hundred records a second it takes 58
days, at the usual one in ten seconds 158 years). Where no id is left, the fresh journal has one of
its own.

Outlets go on where they stood. One whose cursor is lost, or cannot be right, begins at the oldest
record: it repeats, and skips nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import apsw

from collector.audit.chain import Signs
from collector.core.records import Quality, Record, RecordKind
from collector.journal.items import Alive, Cursor
from collector.journal.ledger import Batch, Ledger
from collector.journal.salvage.gathering import (
    LARGEST_SEQUENCE,
    ForeignLog,
    Gathered,
    fill_names,
    gather,
)
from collector.journal.salvage.mending import (
    mend_chain,
    mend_eras,
    next_series,
    restore_audited,
)
from collector.journal.salvage.pages import Image
from collector.journal.salvage.tables import Beside
from collector.journal.salvage.telling import (
    SERIES,
    Occasion,
    Salvaged,
    lost_holes,
    text_of,
)

FARTHEST_BEHIND_RECORDS = 50_000
"""So far beyond the newest record that is left a cursor is believed: as many may wait to be written
at most."""


@dataclass(slots=True)
class _Fresh:
    """The fresh journal while it is made."""

    ledger: Ledger
    gathered: Gathered
    restored: int = 0
    entries: int = 0
    said: list[str] = field(default_factory=list)

    @property
    def beside(self) -> Beside:
        return self.gathered.beside


def rebuild(
    sources: Sequence[Path], target: Path, occasion: Occasion, signer: Signs | None = None,
    still_at_it: Callable[[], object] = bool,
) -> Salvaged:  # fmt: skip
    """Make a fresh journal of what can be read of a damaged one.

    Args:
        sources: the damaged database, its log beside it; or several states of one journal.
        target: where the fresh one is made; nothing stands there.
        occasion: why.
        signer: of the heads.
        still_at_it: called every second or so.

    Raises:
        apsw.Error: the fresh one cannot be written.
        OSError: a damaged one cannot be opened at all.
        JournalError: the fresh one cannot be made.
    """
    with ExitStack() as opened:
        images = [
            opened.enter_context(closing(Image(one, one.with_name(one.name + "-wal"))))
            for one in sources
        ]
        for _ in images:
            try:
                return _rebuild(images, target, occasion, signer, still_at_it)
            except ForeignLog as foreign:
                remove(target)
                foreign.image.log_pages, foreign.image.log_ignored = [], True
        return _rebuild(images, target, occasion, signer, still_at_it)


def rebuild_empty(target: Path, occasion: Occasion, signer: Signs | None = None) -> Salvaged:
    """Make a fresh journal with nothing in it but the record that tells why.

    Raises:
        apsw.Error, JournalError: it cannot be written.
    """
    ledger = Ledger(target, occasion.now_utc_us, 0.0, None, signer)
    try:
        return _finish(_Fresh(ledger, Gathered()), occasion)
    finally:
        ledger.close()


def remove(journal: Path) -> None:
    """Take away a fresh journal that is not in use, with what stands beside it."""
    for ending in ("", "-wal", "-shm", "-journal"):
        journal.with_name(journal.name + ending).unlink(missing_ok=True)


def _rebuild(
    images: Sequence[Image], target: Path, occasion: Occasion, signer: Signs | None,
    still_at_it: Callable[[], object],
) -> Salvaged:  # fmt: skip
    ledger = Ledger(target, occasion.now_utc_us, 0.0, None, signer)
    try:
        into = ledger.connection
        fresh = _Fresh(ledger, gather(images, into, still_at_it))
        with into:
            fill_names(into, fresh.beside)
            breaks, fresh.entries = mend_chain(into, fresh.beside)
            fresh.restored = restore_audited(into, fresh.beside)
            _write_beside(into, fresh)
        if any(image.log_ignored for image in images):
            fresh.said.append("the log beside it was of another journal and is not used")
        elif any(image.log_broken for image in images):
            fresh.said.append("its log was damaged, the latest of what it held may be lost")
        fresh.said += [gap.text for gap in breaks]
        if bad := sum(image.bad_pages for image in images):
            fresh.said.append(f"the disk gave {bad} pages no more")
        ledger.reload(signer)
        return _finish(fresh, occasion)
    finally:
        ledger.close()


def _write_beside(into: apsw.Connection, fresh: _Fresh) -> None:
    beside = fresh.beside
    into.executemany("INSERT INTO era VALUES (?, ?)", list(mend_eras(into, beside).items()))
    if beside.begun_us:
        into.execute("UPDATE journal SET began_utc_us = ?", (beside.begun_us[0],))
    into.execute("UPDATE journal SET disorder_us = ?", (beside.disorder_us,))
    into.executemany(
        "INSERT INTO configuration VALUES (?, ?, ?, ?, ?)",
        [(f.kind, f.hash, f.text, f.first_utc_us, turn)
         for f, turn in beside.configurations.values()],
    )  # fmt: skip
    into.executemany(
        "INSERT INTO quarantine VALUES (?, ?, ?, ?)",
        [(q.outlet, q.sequence, q.why, q.utc_us) for q in beside.quarantined.values()],
    )
    ends: Any = into.execute(
        "SELECT coalesce(max(sequence), 0), max(at_us) FROM record"
    ).fetchall()[0]
    newest, at_us = ends
    states = [one for one in beside.states if one <= newest]
    if states:
        state = max(states)
        into.execute("INSERT INTO state VALUES (1, ?, ?)", (state, beside.states[state]))
    alive = _alive(into, fresh.gathered, at_us, max(states, default=None))
    if alive is not None:
        panels = json.dumps(dict(alive.panels), separators=(",", ":"))
        into.execute(
            "INSERT INTO alive VALUES (1, ?, ?, ?, ?)",
            (alive.at_us, alive.utc_us, alive.boot_id, panels),
        )


def _alive(
    into: apsw.Connection, gathered: Gathered, newest_us: int | None, state: int | None
) -> Alive | None:
    """The last instant of which all is known; the gap that the start tells begins there.

    Nothing is known for sure behind the newest record that is left, nor behind the first loss after
    the engine's state.
    """
    alive = gathered.beside.alive
    if newest_us is None:
        return None
    known_us = newest_us
    later = [hole for hole in lost_holes(gathered) if state is not None and hole.first > state]
    if later:
        row = into.execute(
            "SELECT max(at_us) FROM record WHERE sequence < ?", (later[0].first,)
        ).get
        known_us = newest_us if row is None else row
    if alive is None:
        offset = into.execute("SELECT offset_us FROM era ORDER BY first_sequence DESC LIMIT 1").get
        return Alive(known_us, known_us + offset, "", {})
    panels = {panel: min(at_us, known_us) for panel, at_us in alive.panels.items()}
    at_us = min(alive.at_us, known_us)
    return replace(alive, at_us=at_us, utc_us=alive.utc_us - alive.at_us + at_us, panels=panels)


def _finish(fresh: _Fresh, occasion: Occasion) -> Salvaged:
    """Write the record that tells it, under the first of the new numbers, and the cursors."""
    ledger, beside = fresh.ledger, fresh.beside
    read = ledger.connection.execute
    newest = ledger.head
    told = [newest, occasion.above, *beside.states, *(hole.last for hole in fresh.gathered.holes)]
    told += [c.delivered for c in beside.cursors.values() if _believable(c, newest)]
    if newest or beside.begun_us or fresh.entries:
        known = max(number for number in told if number <= LARGEST_SEQUENCE)
        ledger.head = next_series(known, SERIES)
    lost = sum(hole.listed for hole in lost_holes(fresh.gathered))
    newest_utc_us = ledger.newest_us + ledger.offset_us if newest else None
    salvaged = Salvaged(
        records=read("SELECT count(*) FROM record").get,
        entries=fresh.entries, newest=newest, newest_utc_us=newest_utc_us,
        begins=ledger.head + 1, lost=lost,
        lost_more=not fresh.gathered.index_whole or newest == 0, restored=fresh.restored,
        state=bool(read("SELECT count(*) FROM state").get), same_id=bool(beside.begun_us),
    )  # fmt: skip
    text = text_of(ledger.connection, fresh.gathered, salvaged, occasion, fresh.said)
    at_us = ledger.newest_us or occasion.now_utc_us
    record = Record(
        RecordKind.COLLECTOR, occasion.subject, at_us,
        at_us + (ledger.offset_us if newest else 0), at_us, occasion.set_aside, Quality.UNCERTAIN,
        text,
    )  # fmt: skip
    cursors = {one.outlet: one for one in _cursors(beside, newest, ledger.head, occasion)}
    ledger.commit(Batch(records=[record], cursors=cursors))
    return replace(salvaged, text=text)


def _believable(cursor: Cursor, newest: int) -> bool:
    return 0 <= cursor.delivered <= newest + FARTHEST_BEHIND_RECORDS


def _cursors(beside: Beside, newest: int, ends: int, occasion: Occasion) -> Sequence[Cursor]:
    """The outlets' cursors; one that had all that is left is taken over the numbers never given."""
    found = []
    for cursor in beside.cursors.values():
        if not _believable(cursor, newest):
            continue
        delivered = ends if cursor.delivered >= newest else cursor.delivered
        ahead_from, ahead_to = cursor.ahead_from, cursor.ahead_to
        if not delivered < ahead_from <= ahead_to <= newest:
            ahead_from = ahead_to = 0
        elif ahead_to == newest:
            ahead_to = ends
        found.append(Cursor(cursor.outlet, delivered, ahead_from, ahead_to, occasion.now_utc_us))
    return found
