"""Reading the journal beside its writer: short pages, no long transactions.

A statement that stays open keeps the log from being brought into the database, so each one here is
read to its end at once and reaches over a bounded number of records. Readers never make the writer
wait, nor it them.
"""

from __future__ import annotations

import json
import os
import threading
from bisect import bisect_right
from collections.abc import Collection, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import apsw

from collector.audit.chain import AUDITED, Anchor, Break, Entry, rfc3339
from collector.core.records import Record, RecordKind
from collector.errors import JournalError
from collector.journal import connect, rows, schema
from collector.journal.items import Alive, Configuration, Cursor, Quarantined

STRETCH_RECORDS = 20_000
"""Most records one statement looks at when only some kinds are wanted."""

RARE = frozenset({RecordKind.ACTION, RecordKind.FINDING, RecordKind.CONFIGURATION})
"""Kinds of which years hold so few that their index is quicker than going through all records."""

# ruff: noqa: S608 — every statement is put together from constants alone
SELECT = f"SELECT {rows.COLUMNS} FROM record "
OF_KINDS = "+subject IN (SELECT id FROM subject WHERE kind IN (SELECT value FROM json_each(?))) "
Kinds = Collection[RecordKind] | None


class JournalReader:
    """A read-only view of a journal; may be used from any thread, one call at a time waits.

    Args:
        path: the file; its writer may be running or not.
        vfs: SQLite's name of the file system layer, None for the usual one.

    Raises:
        JournalError: there is no journal there, or not one of this layout.
    """

    def __init__(self, path: str | Path, *, vfs: str | None = None) -> None:
        self.path = Path(path)
        self._lock = threading.RLock()
        self._subjects: dict[int, tuple[RecordKind, str]] = {}
        self._reasons: dict[int, str] = {}
        self._era_firsts: list[int] = []
        self._era_offsets: list[int] = []
        self._connection = connect.connect_reader(self.path, vfs)
        try:
            version = schema.check_owner(self._connection, str(self.path))
        except apsw.Error as error:
            connect.close(self._connection)
            raise connect.translate(error, self.path, None, "read") from error
        except JournalError:
            connect.close(self._connection)
            raise
        if version != schema.VERSION:
            connect.close(self._connection)
            raise JournalError(
                f"the journal {self.path} has layout {version}, this program reads "
                f"{schema.VERSION}: start the collector once, it brings it up to date"
            )

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            connect.close(self._connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # --- records ------------------------------------------------------------------------------

    def records_after(self, sequence: int, limit: int, kinds: Kinds = None) -> list[Record]:
        """The next records after a sequence, in order.

        Args:
            sequence: the last one already known.
            limit: most records to return.
            kinds: only these, or all.
        """
        if kinds is None:
            return self._read(
                SELECT + "WHERE sequence > ? ORDER BY sequence LIMIT ?", (sequence, limit)
            )
        if RARE.issuperset(kinds):
            return self._read(
                SELECT + "WHERE sequence IN (SELECT sequence FROM record WHERE sequence > ? AND "
                "subject IN (SELECT id FROM subject WHERE kind IN (SELECT value FROM json_each(?)))"
                " ORDER BY sequence LIMIT ?) ORDER BY sequence",
                (sequence, _kinds(kinds), limit),
            )
        found: list[Record] = []
        head = self.head()
        while len(found) < limit and sequence < head:
            # Behind a journal that had to be replaced, many numbers were never given.
            following = self._next(sequence)
            if following is None:  # what was there has had to go meanwhile
                break
            sequence = following - 1
            last = min(sequence + STRETCH_RECORDS, head)
            wanted = (sequence, last, _kinds(kinds), limit - len(found))
            found += self._read(
                SELECT + f"WHERE sequence > ? AND sequence <= ? AND {OF_KINDS} "
                "ORDER BY sequence LIMIT ?",
                wanted,
            )
            sequence = last
        return found

    def records_between(self, first: int, last: int, limit: int) -> list[Record]:
        """Records numbered ``first`` to ``last``, both included, in order."""
        return self._read(
            SELECT + "WHERE sequence >= ? AND sequence <= ? ORDER BY sequence LIMIT ?",
            (first, last, limit),
        )

    def _next(self, sequence: int) -> int | None:
        found = self._one("SELECT min(sequence) FROM record WHERE sequence > ?", sequence)
        return None if found is None else int(found)

    def recent(self, limit: int, kinds: Kinds = None) -> list[Record]:
        """The last records, newest first."""
        if kinds is None:
            return self._read(SELECT + "ORDER BY sequence DESC LIMIT ?", (limit,))
        found: list[Record] = []
        sequence, first = self.head(), self.first()
        while len(found) < limit and sequence >= first and sequence > 0:
            before = self._one("SELECT max(sequence) FROM record WHERE sequence <= ?", sequence)
            if before is None:
                break
            sequence = before
            least = sequence - STRETCH_RECORDS
            found += self._read(
                SELECT + f"WHERE sequence <= ? AND sequence > ? AND {OF_KINDS} "
                "ORDER BY sequence DESC LIMIT ?",
                (sequence, least, _kinds(kinds), limit - len(found)),
            )
            sequence = least
        return found

    def latest(
        self, kinds: Kinds = None, before: int | None = None
    ) -> dict[tuple[RecordKind, str], Record]:
        """The newest record of each subject, by kind and subject.

        Args:
            kinds: only these, or all.
            before: as it was before this sequence; None for now.
        """
        wanted = _kinds(RecordKind if kinds is None else kinds)
        newest = self._read(
            f"SELECT {rows.COLUMNS} FROM (SELECT (SELECT max(r.sequence) FROM record r "
            "WHERE r.subject = s.id AND r.sequence < ?) AS newest FROM subject s "
            "WHERE s.kind IN (SELECT value FROM json_each(?))) "
            "JOIN record ON sequence = newest ORDER BY sequence",
            (rows.INT64 - 1 if before is None else before, wanted),
        )
        return {(record.kind, record.subject): record for record in newest}

    def history(self, subject: str, from_us: int, to_us: int, limit: int) -> list[Record]:
        """Records of a subject known between two plant times, both included, in order.

        Args:
            subject: of any kind.
            from_us, to_us: plant time.
            limit: most records to return; go on from the last one's time for more.
        """
        head = self.head()
        return self._history(subject, from_us, to_us, limit, 1, head)

    def history_by_utc(
        self, subject: str, from_utc_us: int, to_utc_us: int, limit: int
    ) -> list[Record]:
        """The same between two dates; where the wall clock was stepped back, both passes count."""
        head = self.head()
        with self._lock:
            self._learn()
            eras = list(self._eras(head))
        found: list[Record] = []
        for first, last, offset_us in eras:
            if len(found) >= limit:
                break
            found += self._history(
                subject, from_utc_us - offset_us, to_utc_us - offset_us,
                limit - len(found), first, last,
            )  # fmt: skip
        return found

    def _eras(self, head: int) -> Iterator[tuple[int, int, int]]:
        firsts = self._era_firsts
        for index, (first, offset_us) in enumerate(zip(firsts, self._era_offsets, strict=True)):
            following = firsts[index + 1] if index + 1 < len(firsts) else head + 1
            yield first, following - 1, offset_us

    def _history(
        self, subject: str, from_us: int, to_us: int, limit: int, first: int, last: int
    ) -> list[Record]:
        disorder_us = self._one("SELECT disorder_us FROM journal")
        low = self._first_from(from_us - disorder_us, first, last)
        high = self._first_from(to_us + disorder_us + 1, low, last)
        return self._read(
            SELECT + "WHERE subject IN (SELECT id FROM subject WHERE name = ?) "
            "AND sequence >= ? AND sequence < ? AND at_us BETWEEN ? AND ? "
            "ORDER BY sequence LIMIT ?",
            (subject, low, high, from_us, to_us, limit),
        )

    def sequence_at(self, at_us: int) -> int:
        """A sequence before which nothing on record is as young as a plant time."""
        disorder_us = self._one("SELECT disorder_us FROM journal")
        return self._first_from(at_us - disorder_us, self.first(), self.head())

    def sequence_past(self, at_us: int) -> int:
        """A sequence from which on everything on record is as young as a plant time."""
        disorder_us = self._one("SELECT disorder_us FROM journal")
        return self._first_from(at_us + disorder_us, self.first(), self.head())

    def _first_from(self, at_us: int, first: int, last: int) -> int:
        """A sequence before which nothing is younger than ``at_us``, by halving.

        Records are in the order of plant time but for the journal's ``disorder_us``, which the
        caller has put into ``at_us``.
        """
        low, high = first, last + 1
        while low < high:
            middle = (low + high) // 2
            found = self._row(
                "SELECT sequence, at_us FROM record WHERE sequence >= ? AND sequence < ? "
                "ORDER BY sequence LIMIT 1",
                (middle, high),
            )
            if found is None or found[1] >= at_us:
                high = middle
            else:
                low = found[0] + 1
        return low

    # --- the audited record -------------------------------------------------------------------

    def chain_entries(self, after_number: int, limit: int) -> list[Entry]:
        """The next entries of the audited record after a number, in order."""
        found = self._rows(
            "SELECT number, sequence, body, hash FROM chain WHERE number > ? "
            "ORDER BY number LIMIT ?",
            (after_number, limit),
        )
        return [Entry(*row) for row in found]

    def chain_head(self) -> Anchor:
        """Number and hash of the last entry; the anchor where there is none."""
        row = self._row("SELECT number, hash FROM chain ORDER BY number DESC LIMIT 1")
        return self.chain_anchor() if row is None else Anchor(*row)

    def chain_anchor(self) -> Anchor:
        """The last entry that had to go, number 0 if none had."""
        return Anchor(*self._rows("SELECT number, hash FROM chain_anchor")[0])

    def chain_breaks(self) -> list[Break]:
        """Entries that were lost with a damaged journal, in order."""
        found = self._rows("SELECT first, number, hash FROM chain_break ORDER BY number")
        return [Break(*row) for row in found]

    def chain_between(self, from_utc_us: int, to_utc_us: int) -> tuple[int, int]:
        """First and last number of the entries dated within a time, its end not included.

        Where there are none, the last is the one before and the first follows on it. Where the
        wall clock was set back, entries of other dates may lie in between.
        """
        first, last = self._rows(
            "SELECT min(number), max(number) FROM chain "
            "WHERE json_extract(body, '$.utc') >= ? AND json_extract(body, '$.utc') < ?",
            (rfc3339(from_utc_us), rfc3339(to_utc_us)),
        )[0]
        if first is not None:
            return first, last
        before = self._rows(
            "SELECT max(number) FROM chain WHERE json_extract(body, '$.utc') < ?",
            (rfc3339(from_utc_us),),
        )[0][0]
        before = self.chain_anchor().number if before is None else before
        return before + 1, before

    def head_after(self, number: int) -> int | None:
        """The number of the first head behind an entry of the chain, None if there is none yet."""
        row = self._row(
            "SELECT number FROM chain WHERE number > ? AND json_extract(body, '$.kind') = ? "
            "ORDER BY number LIMIT 1",
            (number, RecordKind.HEAD.word),
        )
        return None if row is None else int(row[0])

    def newest_audited(self) -> int:
        """Sequence of the newest record that has to be in the chain, 0 if there is none."""
        older = int(self._one("SELECT older FROM chain_anchor"))
        newest = max((r.sequence for r in self.latest(AUDITED).values()), default=0)
        return newest if newest > older else 0

    # --- what stands beside the records -------------------------------------------------------

    def state(self) -> tuple[int, str] | None:
        """The newest engine state and the sequence after which a replay goes on."""
        row = self._row("SELECT sequence, text FROM state")
        return None if row is None else (row[0], row[1])

    def alive(self) -> Alive | None:
        """The last sign that the collector was watching."""
        row = self._row("SELECT at_us, utc_us, boot_id, panels FROM alive")
        return None if row is None else Alive(row[0], row[1], row[2], json.loads(row[3]))

    def cursor(self, outlet: str) -> Cursor:
        """How far an outlet has delivered; one that never did stands at 0."""
        row = self._row("SELECT * FROM cursor WHERE outlet = ?", (outlet,))
        return Cursor(outlet) if row is None else Cursor(*row)

    def cursors(self) -> list[Cursor]:
        """All outlets' cursors."""
        return [Cursor(*row) for row in self._rows("SELECT * FROM cursor ORDER BY outlet")]

    def quarantined(self, outlet: str, limit: int) -> list[Quarantined]:
        """Records an outlet's far side refused for good, newest first."""
        found = self._rows(
            "SELECT * FROM quarantine WHERE outlet = ? ORDER BY sequence DESC LIMIT ?",
            (outlet, limit),
        )
        return [Quarantined(*row) for row in found]

    def configuration_in_force(self, kind: str) -> Configuration | None:
        """The file of a kind that was last put in force."""
        row = self._row(
            "SELECT kind, hash, text, first_utc_us FROM configuration WHERE kind = ? "
            "ORDER BY turn DESC LIMIT 1",
            (kind,),
        )
        return None if row is None else Configuration(*row)

    def configurations(self, kind: str) -> dict[str, Configuration]:
        """All files of a kind that ever were in force, by hash."""
        found = self._rows(
            "SELECT kind, hash, text, first_utc_us FROM configuration WHERE kind = ?", (kind,)
        )
        return {row[1]: Configuration(*row) for row in found}

    @property
    def journal_id(self) -> str:
        """Tells this journal from one that replaces it and counts anew: when it began, in hex."""
        return f"{self._one('SELECT began_utc_us FROM journal'):x}"

    def head(self) -> int:
        """The last sequence, 0 in an empty journal."""
        return int(self._one("SELECT coalesce(max(sequence), 0) FROM record"))

    def first(self) -> int:
        """The first sequence still there, 0 in an empty journal."""
        return int(self._one("SELECT coalesce(min(sequence), 0) FROM record"))

    @property
    def record_count(self) -> int:
        """How many records there are; reads the whole index, so not for every second."""
        return int(self._one("SELECT count(*) FROM record"))

    def size_bytes(self) -> int:
        """Bytes on the disk: database, log and reserve."""
        total = 0
        for ending in ("", "-wal", ".reserve"):
            try:
                total += os.stat(f"{self.path}{ending}").st_size
            except FileNotFoundError:
                continue
        return total

    # --- statements ---------------------------------------------------------------------------

    def _rows(self, statement: str, bindings: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self._lock:
            try:
                return self._connection.execute(statement, bindings).fetchall()
            except apsw.Error as error:
                raise connect.translate(error, self.path, self._connection, "read") from error
            except UnicodeDecodeError as error:
                raise connect.damaged(self.path, "a text in it is none") from error

    def _row(self, statement: str, bindings: tuple[Any, ...] = ()) -> tuple[Any, ...] | None:
        found = self._rows(statement, bindings)
        return found[0] if found else None

    def _one(self, statement: str, *bindings: int) -> Any:
        return self._rows(statement, bindings)[0][0]

    def _read(self, statement: str, bindings: tuple[Any, ...]) -> list[Record]:
        with self._lock:
            found = self._rows(statement, bindings)
            if not found:
                return []
            # Names are only ever added, and with the records that use them: learnt afterwards,
            # they cover every row just read.
            self._learn()
            try:
                return rows.records(found, self._subjects, self._reasons, self._era_of)
            except (LookupError, ValueError, TypeError) as error:
                wrong = f"a record of {found[0][0]}..{found[-1][0]} cannot be read: {error!r}"
                raise connect.damaged(self.path, wrong) from error

    def _learn(self) -> None:
        """Read the names and eras added since the last time."""
        for number, kind, name in self._rows(
            "SELECT id, kind, name FROM subject WHERE id > ?", (len(self._subjects),)
        ):
            self._subjects[number] = (rows.KINDS[kind], name)
        for number, text in self._rows(
            "SELECT id, text FROM reason WHERE id >= ?", (len(self._reasons),)
        ):
            self._reasons[number] = text
        known = self._era_firsts[-1] if self._era_firsts else 0
        for first, offset_us in self._rows(
            "SELECT first_sequence, offset_us FROM era WHERE first_sequence > ? "
            "ORDER BY first_sequence",
            (known,),
        ):
            self._era_firsts.append(first)
            self._era_offsets.append(offset_us)

    def _era_of(self, sequence: int) -> tuple[int, int, int]:
        index = bisect_right(self._era_firsts, sequence) - 1
        following = index + 1
        end = self._era_firsts[following] if following < len(self._era_firsts) else sequence + 1
        return self._era_firsts[index], end, self._era_offsets[index]


def _kinds(kinds: Collection[RecordKind] | type[RecordKind]) -> str:
    return json.dumps([int(kind) for kind in kinds])
