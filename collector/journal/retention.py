"""Which records may go when the journal has reached its size, and taking them away in small steps.

Never deleted:

* the newest record of each subject, which is its present state;
* every configuration record, because older figures are only understood with it;
* records after the newest engine state, which a restart has to replay.

Records an outlet has yet to deliver go last, oldest first, and only when nothing else is left; each
time the journal says so in a record of its own, written in the same transaction.
"""

from __future__ import annotations

from collections.abc import Collection

from collector.core.records import Quality, Record, RecordKind
from collector.journal.items import Cursor
from collector.journal.ledger import Batch, Ledger

MOST_STEP_RECORDS = 1_000
BYTES_LOGGED_BY_RECORD = 512
"""What deleting a record adds to the log at most, by trial; bounds a step by the log's share."""
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
    """

    def __init__(
        self,
        ledger: Ledger,
        size_limit_bytes: int,
        reserve_bytes: int,
        outlets: Collection[str] | None,
    ) -> None:
        self._ledger = ledger
        self._outlets = None if outlets is None else frozenset(outlets)
        log_share_bytes = min(16 << 20, size_limit_bytes // 8)
        self.log_bytes = log_share_bytes // 4  # the rest is for the transactions under way
        self.room_bytes = size_limit_bytes - log_share_bytes - reserve_bytes
        self._step_records = min(MOST_STEP_RECORDS, self.log_bytes // BYTES_LOGGED_BY_RECORD)
        self._step_pages = self.log_bytes // 2 // ledger.page_bytes
        self._freeing = False
        self.stuck = False

    def _used_bytes(self) -> int:
        return self._ledger.file_bytes() - self._ledger.free_bytes()

    @property
    def over(self) -> bool:
        """Whether a pass is due or under way."""
        room = self.room_bytes * (1 - SHARE_FREED if self._freeing else 1)
        self._freeing = self._used_bytes() > room
        return self._freeing

    def step(self, written: int = 0) -> tuple[bool, list[Record]]:
        """Delete one small step's worth, or give free pages back to the disk.

        Args:
            written: records written since the last step; twice as many may go, so that deleting
                gets on faster than writing.

        Returns:
            Whether there is more to do now, and the records just written to say what was dropped.

        Raises:
            apsw.Error: nothing was deleted.
        """
        if not self.over:
            self.stuck = False
            return self._shrink(), []
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
        numbers = self._deletable(replay_from, 4 * count)
        self.stuck = not numbers
        if not numbers:
            return False, []
        return True, self._drop(numbers, cursors)

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
        at_us = self._ledger.newest_us
        return Record(
            RecordKind.COLLECTOR,
            "collector",
            at_us,
            at_us + self._ledger.offset_us,
            at_us,
            len(lost),
            Quality.UNCERTAIN,
            f"undelivered records dropped for outlet {outlet}: {lost[0]}..{lost[-1]}",
        )

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
