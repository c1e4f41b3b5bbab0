"""The database side of the writer: one batch, one transaction, all or nothing.

Numbers are given here and grow without holes; the newest record is never deleted, so none is given
twice. What is remembered in memory changes only after the commit.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import apsw

from collector.audit.chain import Signs
from collector.core.records import Record
from collector.journal import connect, rows, schema
from collector.journal.chaining import Chaining
from collector.journal.items import Alive, Configuration, Cursor, Quarantined

CHECKPOINT_WAIT_MS = 20
INSERT = f"INSERT INTO record ({rows.COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?)"  # noqa: S608 — constant
CURSOR_SET = """
INSERT INTO cursor VALUES (?1, ?2, ?3, ?4, ?5, 0, 0) ON CONFLICT (outlet) DO UPDATE SET
    delivered = max(delivered, excluded.delivered), ahead_from = excluded.ahead_from,
    ahead_to = excluded.ahead_to, moved_utc_us = excluded.moved_utc_us
"""
CONFIGURATION_SET = """
INSERT INTO configuration VALUES (?1, ?2, ?3, ?4,
    (SELECT coalesce(max(turn), 0) + 1 FROM configuration WHERE kind = ?1))
ON CONFLICT (kind, hash) DO UPDATE SET turn = excluded.turn
    WHERE turn < (SELECT max(turn) FROM configuration WHERE kind = ?1)
"""
QUARANTINE_COUNT = """
INSERT INTO cursor VALUES (?1, 0, 0, 0, 0, 0, 1)
ON CONFLICT (outlet) DO UPDATE SET quarantined = quarantined + 1
"""


@dataclass(slots=True)
class Batch:
    """What one transaction writes."""

    records: list[Record] = field(default_factory=list)
    state: tuple[int, str] | None = None
    alive: Alive | None = None
    cursors: dict[str, Cursor] = field(default_factory=dict)
    configurations: list[Configuration] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(
            self.records or self.state or self.alive or self.cursors
            or self.configurations or self.quarantined
        )  # fmt: skip


class Ledger:
    """Owns the write connection; used by the writer thread alone once it runs.

    Args:
        path: the journal.
        began_utc_us: noted in a new journal.
        check_s: longest time for the check of the file; 0 leaves it out.
        vfs: SQLite's name of the file system layer, None for the usual one.
        signer: signs the heads of the audited record; None leaves them unsigned.

    Raises:
        JournalError: the file cannot be opened or is not ours.
        JournalDamaged: the check found damage.
    """

    def __init__(
        self, path: Path, began_utc_us: int, check_s: float, vfs: str | None,
        signer: Signs | None = None,
    ) -> None:  # fmt: skip
        self.path = path
        self.connection = connect.connect_writer(path, vfs)
        try:
            existing = schema.check_owner(self.connection, str(path))
            connect.make_durable(self.connection, path)
            self.checked = existing == 0 or (check_s > 0.0 and self._check(check_s))
            schema.bring_up_to_date(self.connection, str(path), began_utc_us)
            wrong = schema.maybe_wrong(self.connection)
            if wrong is not None:
                raise connect.damaged(path, wrong)
            self._load(signer)
        except apsw.Error as error:
            translated = connect.translate(error, path, self.connection, "open")
            self.abandon()
            raise translated from error
        except BaseException:
            self.abandon()  # what is damaged stays as it was found
            raise

    def _check(self, check_s: float) -> bool:
        """Run SQLite's quick check; True if it got through in time."""
        alarm = threading.Timer(check_s, self.connection.interrupt)
        alarm.daemon = True
        alarm.start()
        try:
            found = self.connection.execute("PRAGMA quick_check(1)").get
        except apsw.InterruptError:
            return False
        finally:
            alarm.cancel()
            alarm.join()
        if found != "ok":
            raise connect.damaged(self.path, found)
        return True

    def _load(self, signer: Signs | None) -> None:
        read = self.connection.execute
        self._subjects: dict[tuple[int, str], int] = {
            (kind, name): number for number, kind, name in read("SELECT * FROM subject")
        }
        self._reasons: dict[str, int] = {text: n for n, text in read("SELECT * FROM reason")}
        head, last_at = read(
            "SELECT sequence, at_us FROM record ORDER BY sequence DESC LIMIT 1"
        ).get or (0, None)
        self.head: int = head
        self._disorder_us: int = read("SELECT disorder_us FROM journal").get
        self._newest_us: int | None = None if last_at is None else last_at + self._disorder_us
        last_era = read("SELECT offset_us FROM era ORDER BY first_sequence DESC LIMIT 1").get
        self._offset_us: int | None = last_era
        began_utc_us: int = read("SELECT began_utc_us FROM journal").get
        self.id: str = f"{began_utc_us:x}"
        self.chain = Chaining(self.connection, self.id, signer)
        self.page_bytes: int = self.connection.pragma("page_size")
        self._log_pages = self._tried_at_pages = 0
        self.connection.set_wal_hook(self._note_log)

    def reload(self, signer: Signs | None) -> None:
        """Look again at a journal that somebody else has filled through this connection."""
        self._load(signer)

    def commit(self, batch: Batch, before: Callable[[], None] | None = None) -> int:
        """Write a batch; when this returns it is on the disk.

        Args:
            batch: what to write; its heads are replaced by what is on record.
            before: does more in the same transaction, ahead of it.

        Returns:
            The number of the first record; the others follow without holes.

        Raises:
            apsw.Error: nothing of the batch was written.
        """
        connection = self.connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            if before is not None:
                before()
            written = _Writing(self)
            self.chain.write(batch.records, self.head + 1)
            written.records(batch.records)
            if batch.state is not None:
                count, text = batch.state
                connection.execute(
                    "INSERT OR REPLACE INTO state VALUES (1, ?, ?)", (self.head + count, text)
                )
            self._write_facts(batch)
            connection.execute("COMMIT")
        except BaseException:
            self.chain.forget()
            self._roll_back()
            raise
        written.keep()
        self.chain.keep()
        return self.head - len(batch.records) + 1

    @property
    def newest_us(self) -> int:
        """Plant time of the newest record, 0 before the first."""
        return self._newest_us or 0

    @property
    def offset_us(self) -> int:
        """Wall time minus plant time at the newest record."""
        return self._offset_us or 0

    def _roll_back(self) -> None:
        if self.connection.in_transaction:
            self.connection.execute("ROLLBACK")

    def _write_facts(self, batch: Batch) -> None:
        write = self.connection.execute
        if batch.alive is not None:
            alive = batch.alive
            panels = json.dumps(dict(alive.panels), separators=(",", ":"))
            write(
                "INSERT OR REPLACE INTO alive VALUES (1, ?, ?, ?, ?)",
                (alive.at_us, alive.utc_us, alive.boot_id, panels),
            )
        for cursor in batch.cursors.values():
            write(
                CURSOR_SET,
                (cursor.outlet, cursor.delivered, cursor.ahead_from, cursor.ahead_to,
                 cursor.moved_utc_us),
            )  # fmt: skip
        for file in batch.configurations:
            write(CONFIGURATION_SET, (file.kind, file.hash, file.text, file.first_utc_us))
        for refused in batch.quarantined:
            write(
                "INSERT OR IGNORE INTO quarantine VALUES (?, ?, ?, ?)",
                (refused.outlet, refused.sequence, refused.why, refused.utc_us),
            )
            if self.connection.changes():
                write(QUARANTINE_COUNT, (refused.outlet,))

    def add_outlets(self, outlets: Iterable[str]) -> None:
        """Give every outlet a cursor, so that what it has yet to deliver is kept."""
        with self.connection:
            for outlet in outlets:
                self.connection.execute(
                    "INSERT OR IGNORE INTO cursor VALUES (?, 0, 0, 0, 0, 0, 0)", (outlet,)
                )

    def wal_bytes(self) -> int:
        """Size of the write-ahead log."""
        try:
            return os.stat(f"{self.path}-wal").st_size
        except FileNotFoundError:
            return 0

    def file_bytes(self) -> int:
        """Size of the database, pages still in the log included."""
        return int(self.connection.pragma("page_count")) * self.page_bytes

    def free_bytes(self) -> int:
        """Part of the database that is free for new records."""
        return int(self.connection.pragma("freelist_count")) * self.page_bytes

    def _note_log(self, _: apsw.Connection, name: str, pages: int) -> int:
        self._log_pages = pages
        return apsw.SQLITE_OK

    def bound_log(self, limit_bytes: int) -> None:
        """Bring the log into the database when it has grown; cut its file when it is too large.

        SQLite then writes the log from its start again, unless a reader is in the way; so it is
        tried once each time the log has grown by a quarter of its limit.

        Args:
            limit_bytes: size above which the log's file is cut.

        Raises:
            apsw.Error: see ``checkpoint``.
        """
        if self._log_pages < self._tried_at_pages:
            self._tried_at_pages = 0
        if self._log_pages - self._tried_at_pages < limit_bytes // self.page_bytes // 4:
            return
        self.checkpoint(truncate=self.wal_bytes() > limit_bytes)
        self._tried_at_pages = self._log_pages

    def checkpoint(self, *, truncate: bool) -> None:
        """Bring the log into the database as far as readers let it.

        Raises:
            apsw.Error: except that a reader is in the way, which is no error.
        """
        mode = apsw.SQLITE_CHECKPOINT_TRUNCATE if truncate else apsw.SQLITE_CHECKPOINT_PASSIVE
        self.connection.set_busy_timeout(
            CHECKPOINT_WAIT_MS
        )  # readers are short; the next try comes soon
        try:
            self.connection.wal_checkpoint(mode=mode)
        except apsw.BusyError:
            pass
        finally:
            self.connection.set_busy_timeout(connect.BUSY_TIMEOUT_MS)

    def close(self) -> None:
        """Close the connection; SQLite brings the log into the database."""
        connect.close(self.connection)

    def abandon(self) -> None:
        """Close the connection of a disk that failed, writing to it no more."""
        self.connection.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
        connect.close(self.connection)


class _Writing:
    """The records of one transaction, and what memory has to take over once it is committed."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._subjects: dict[tuple[int, str], int] = {}
        self._reasons: dict[str, int] = {}
        self._newest_us = ledger._newest_us
        self._disorder_us = ledger._disorder_us
        self._offset_us = ledger._offset_us
        self._head = ledger.head

    def records(self, records: Sequence[Record]) -> None:
        ledger = self._ledger
        subjects, reasons = ledger._subjects, ledger._reasons
        newest = self._newest_us
        table: list[rows.Row] = []
        eras: list[tuple[int, int]] = []
        for sequence, record in enumerate(records, self._head + 1):
            key = (record.kind, record.subject)
            subject = subjects.get(key) or self._subject(key)
            reason = reasons.get(record.reason)
            if reason is None:
                table.append(rows.row(sequence, record, subject, self._reason(record.reason)))
            else:
                table.append(rows.row(sequence, record, subject, reason))
            at_us = record.at_us
            if newest is None or at_us >= newest:
                newest = at_us
            elif newest - at_us > self._disorder_us:
                self._disorder_us = newest - at_us
            if record.utc_us - at_us != self._offset_us:
                self._offset_us = record.utc_us - at_us
                eras.append((sequence, self._offset_us))
        self._newest_us = newest
        self._head += len(records)
        write = ledger.connection
        write.executemany(INSERT, table)
        if eras:
            write.executemany("INSERT INTO era VALUES (?, ?)", eras)
        if self._disorder_us != ledger._disorder_us:
            write.execute("UPDATE journal SET disorder_us = ?", (self._disorder_us,))

    def _subject(self, key: tuple[int, str]) -> int:
        number = self._subjects.get(key)
        if number is None:
            number = len(self._ledger._subjects) + len(self._subjects) + 1
            self._ledger.connection.execute("INSERT INTO subject VALUES (?, ?, ?)", (number, *key))
            self._subjects[key] = number
        return number

    def _reason(self, text: str) -> int | str:
        number = self._reasons.get(text)
        if number is not None:
            return number
        known = len(self._ledger._reasons) + len(self._reasons)
        if len(text) > rows.LONGEST_SHARED_REASON or known >= rows.MOST_SHARED_REASONS:
            return text
        self._ledger.connection.execute("INSERT INTO reason VALUES (?, ?)", (known, text))
        self._reasons[text] = known
        return known

    def keep(self) -> None:
        """Take over what the committed transaction has added."""
        ledger = self._ledger
        ledger._subjects.update(self._subjects)
        ledger._reasons.update(self._reasons)
        ledger._newest_us = self._newest_us
        ledger._disorder_us = self._disorder_us
        ledger._offset_us = self._offset_us
        ledger.head = self._head
