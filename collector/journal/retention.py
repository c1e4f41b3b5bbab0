"""Which records may go when the journal has reached its size, and taking them away in small steps.

Never deleted:

* the newest record of each subject, which is its present state;
* every configuration record, because older figures are only understood with it;
* records after the newest engine state, which a restart has to replay.

The audited record is a table of its own and no part of this, with two exceptions, each said in an
audited record of its own and leaving the hash on which the rest is built: entries older than the
years it is kept go, oldest first, when nothing delivered is left to go or it takes more than half
of the room; and younger ones when the disk itself is full, the journal is over its size and nothing
else at all is left.

Records an outlet has yet to deliver go last, oldest first, and only when nothing else is left; each
time the journal says so in a record of its own, written in the same transaction.
"""

from __future__ import annotations

from collections.abc import Collection

from collector.audit.chain import deleted_text
from collector.core.records import Quality, Record, RecordKind
from collector.journal.items import Cursor
from collector.journal.ledger import Batch, Ledger

MOST_STEP_RECORDS = 1_000
BYTES_LOGGED_BY_RECORD = 512
"""What deleting a record adds to the log at most, by trial; bounds a step by the log's share."""
# Looking at the size costs a tenth of a small commit; so it is not looked at again before records
# of this size, as large as they hardly ever are, could have used up half of the room.
LARGE_RECORD_BYTES = 8 << 10
MOST_UNLOOKED_RECORDS = 20_000
RECORD_SHARE = 0.5
"""Share of the room from which on the audited record is in danger."""
YEAR_US = 365.25 * 86_400e6
SHARE_FREED = 0.02
"""Share of the room that one pass frees, so that passes are rare."""

DELETABLE = """
SELECT sequence FROM record
WHERE sequence <= ?1
    AND sequence NOT IN (SELECT (SELECT max(r.sequence) FROM record r WHERE r.subject = subject.id)
                         FROM subject)
    AND subject NOT IN (SELECT id FROM subject WHERE kind = ?2)
ORDER BY sequence LIMIT ?3
"""


class Retention:
    """Keeps the journal within its size.

    Args:
        ledger: the writer's.
        size_limit_bytes: database, log and reserve together stay below it.
        reserve_bytes: part of it that the reserve takes.
        outlets: whose undelivered records are kept; None for every outlet with a cursor.
        keep_years: how long the audited record is kept at least.
    """

    def __init__(
        self,
        ledger: Ledger,
        size_limit_bytes: int,
        reserve_bytes: int,
        outlets: Collection[str] | None,
        keep_years: float,
    ) -> None:
        self._ledger = ledger
        self._outlets = None if outlets is None else frozenset(outlets)
        log_share_bytes = min(16 << 20, size_limit_bytes // 8)
        self.log_bytes = log_share_bytes // 4  # the rest is for the transactions under way
        self.room_bytes = size_limit_bytes - log_share_bytes - reserve_bytes
        self._step_records = min(MOST_STEP_RECORDS, self.log_bytes // BYTES_LOGGED_BY_RECORD)
        self._step_pages = self.log_bytes // 2 // ledger.page_bytes
        self._keep_years = keep_years
        self._freeing = False
        self._unlooked_records = 0  # so many may be written before the size is looked at
        self.stuck = False

    def _used_bytes(self) -> int:
        return self._ledger.file_bytes() - self._ledger.free_bytes()

    @property
    def over(self) -> bool:
        """Whether a pass is due or under way."""
        room = self.room_bytes * (1 - SHARE_FREED if self._freeing else 1)
        self._freeing = self._used_bytes() > room
        return self._freeing

    @property
    def record_presses(self) -> bool:
        """Whether the audited record takes more than half of the room."""
        return self._ledger.chain.size_bytes > RECORD_SHARE * self.room_bytes

    def step(self, written: int = 0, *, disk_full: bool = False) -> tuple[bool, list[Record]]:
        """Delete one small step's worth, or give free pages back to the disk.

        Args:
            written: records written since the last step; twice as many may go, so that deleting
                gets on faster than writing.
            disk_full: whether even the audited record may be shortened at last.

        Returns:
            Whether there is more to do now, and the records just written to say what was dropped.

        Raises:
            apsw.Error: nothing was deleted.
        """
        if written < self._unlooked_records and not disk_full:
            self._unlooked_records -= max(1, written)
            return False, []
        self._unlooked_records = 0
        if not self.over:
            self.stuck = False
            more = self._shrink()
            if not more:
                room_bytes = self.room_bytes - self._used_bytes()
                self._unlooked_records = min(
                    MOST_UNLOOKED_RECORDS, room_bytes // 2 // LARGE_RECORD_BYTES
                )
            return more, []
        if self.record_presses and (said := self._shorten()):
            return True, said
        connection = self._ledger.connection
        replay_from = connection.execute("SELECT sequence FROM state").get or 0
        cursors = self._cursors()
        delivered = min((cursor.delivered for cursor in cursors), default=replay_from)
        count = max(self._step_records, 2 * written)
        numbers = self._deletable(min(delivered, replay_from), count)
        if numbers:
            self._ledger.commit(Batch(), before=lambda: self._delete(numbers))
            self.stuck = False
            return True, []
        if said := self._shorten():
            return True, said
        numbers = self._deletable(replay_from, 4 * count)
        if numbers:
            self.stuck = False
            return True, self._drop(numbers, cursors)
        said = self._shorten(of_any_age=True) if disk_full else []
        self.stuck = not said
        return bool(said), said

    def _shorten(self, *, of_any_age: bool = False) -> list[Record]:
        """Take the oldest entries of the audited record away, and say so; empty if none may go."""
        ledger = self._ledger
        expired_us = ledger.newest_us + ledger.offset_us - int(self._keep_years * YEAR_US)
        up_to = ledger.chain.oldest(None if of_any_age else expired_us, self._step_records)
        if up_to is None:
            return []
        first = ledger.chain.anchor.number + 1
        why = "the disk is full" if of_any_age else f"older than {self._keep_years:g} years"
        batch = Batch(records=[
            self._said(
                up_to.number - first + 1,
                f"{deleted_text(first, up_to.number)}: {why}",
            )
        ])  # fmt: skip
        ledger.commit(batch, before=lambda: ledger.chain.remove(up_to))
        return batch.records

    def _cursors(self) -> list[Cursor]:
        rows = self._ledger.connection.execute("SELECT * FROM cursor ORDER BY outlet")
        cursors = [Cursor(*row) for row in rows]
        if self._outlets is None:
            return cursors
        return [cursor for cursor in cursors if cursor.outlet in self._outlets]

    def _deletable(self, last: int, limit: int) -> list[int]:
        found = self._ledger.connection.execute(
            DELETABLE, (last, int(RecordKind.CONFIGURATION), limit)
        )
        return [number for (number,) in found]

    def _delete(self, numbers: list[int]) -> None:
        connection = self._ledger.connection
        connection.executemany("DELETE FROM record WHERE sequence = ?", [(n,) for n in numbers])
        connection.execute(
            "DELETE FROM quarantine WHERE sequence <= ? "
            "AND NOT EXISTS (SELECT 1 FROM record WHERE record.sequence = quarantine.sequence)",
            (numbers[-1],),
        )

    def _drop(self, numbers: list[int], cursors: list[Cursor]) -> list[Record]:
        """Delete undelivered records, move the cursors past them, and say so."""
        ledger = self._ledger
        said: list[Record] = []
        losses: list[tuple[int, str]] = []
        for cursor in cursors:
            lost = [
                number
                for number in numbers
                if number > cursor.delivered
                and not (cursor.ahead_from <= number <= cursor.ahead_to)
            ]
            if lost:
                losses.append((len(lost), cursor.outlet))
                said.append(self._announcement(cursor.outlet, lost))

        def delete() -> None:
            self._delete(numbers)
            ledger.connection.executemany(
                "UPDATE cursor SET dropped = dropped + ?1, delivered = (SELECT min(sequence) - 1 "
                "FROM record WHERE sequence > cursor.delivered) WHERE outlet = ?2",
                losses,
            )

        ledger.commit(Batch(records=said), before=delete)
        return said

    def _announcement(self, outlet: str, lost: list[int]) -> Record:
        return self._said(
            len(lost), f"undelivered records dropped for outlet {outlet}: {lost[0]}..{lost[-1]}"
        )

    def _said(self, count: int, reason: str) -> Record:
        at_us = self._ledger.newest_us
        return Record(
            RecordKind.COLLECTOR, "collector", at_us, at_us + self._ledger.offset_us, at_us, count,
            Quality.UNCERTAIN, reason,
        )  # fmt: skip

    def _shrink(self) -> bool:
        """Give free pages back when the file is larger than its room; True if some remain."""
        ledger = self._ledger
        surplus = ledger.file_bytes() - self.room_bytes
        if surplus <= 0 or ledger.free_bytes() == 0:
            return False
        pages = min(self._step_pages, surplus // ledger.page_bytes + 1)
        # Each step of this statement frees one page: it has to be run to its end.
        ledger.connection.execute(f"PRAGMA incremental_vacuum({pages})").fetchall()
        return True
