"""The one writer of the journal: a thread that owns the write connection and commits in groups.

The first submission after a quiet time is committed at once; under load, what has gathered during
the commit period is committed together. Whoever submits never waits: the queue is bounded, a full
queue says so, and nothing is ever dropped in silence.

A full disk is waited out: the batch is kept and tried again. Any other failure of the disk, damage
and our own bugs end the writer, with everything committed intact; ``failed`` then carries the
error.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import Self

import apsw

from collector.audit.chain import Signs
from collector.core.records import Record
from collector.errors import Bug, JournalError, JournalFull, WeirkeeperError
from collector.journal import connect, rows
from collector.journal.holder import Holder
from collector.journal.intake import Intake
from collector.journal.items import Alive, Configuration, Cursor, Quarantined
from collector.journal.later_check import LaterCheck
from collector.journal.ledger import Batch, Ledger
from collector.journal.reserve import Reserve, free_bytes
from collector.journal.retention import Retention

DEFAULT_SIZE_LIMIT_BYTES = 2 << 30
QUEUE_LIMIT_RECORDS = 50_000
FIRST_RETRY_S = 0.25
LONGEST_RETRY_S = 5.0
RECORD_ROOM = 64
"""The audited record is in danger while less than this many times the reserve is free on the disk.
"""
DEFAULT_KEEP_YEARS = 5.0
CHECK_AT_OPENING_S = 0.3
"""Enough for some hundred megabytes on a quick disk; the rest of a larger one is checked later."""
WAITED_OUT = (apsw.FullError, apsw.IOError, apsw.BusyError)
"""Errors behind which a state may stand that passes; ``_wait_out`` looks closer."""

OnCommit = Callable[[int, Sequence[Record]], None]
OnTrouble = Callable[[str | None], None]


class Journal:
    """The write side of the journal; get one from ``Journal.open``.

    All methods may be called from any thread and none of them waits for the disk, except ``flush``
    and ``close``.

    Attributes:
        path: the file.
        failed: done with an error when the writer had to give up, with None after ``close``.
        on_commit: called in the writer's thread after each commit with records, with the last
            sequence and the records with their numbers; must not wait.
        on_trouble: called in the writer's thread with a sentence when something needs attention,
            again when writing does not get on at all, and with None when all is well.
        checked: whether the check went through the whole file; a large one is checked on while it
            is in use, and what that finds ends the writer.
        blocked: whether the last attempt to write failed and is being repeated.
    """

    def __init__(
        self, ledger: Ledger, holder: Holder, retention: Retention, reserve: Reserve,
        *, commit_period_s: float, wall_us: Callable[[], int], queue_limit: int,
    ) -> None:  # fmt: skip
        self.path = ledger.path
        self._intake = Intake(ledger.path, queue_limit)
        self.failed: Future[None] = self._intake.failed
        self.on_commit: OnCommit | None = None
        self.on_trouble: OnTrouble | None = None
        self.checked = ledger.checked
        self._later: LaterCheck | None = None
        self._ledger = ledger
        self._holder = holder
        self._retention = retention
        self._reserve = reserve
        self._commit_period_s = commit_period_s
        self._wall_us = wall_us
        self._progress = 0
        self._trouble: str | None = None
        self._told = 0  # how grave the trouble is that was told last: 0 none, 2 no writing
        self.blocked = False
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    @classmethod
    def open(
        cls,
        path: str | Path,
        *,
        wall_us: Callable[[], int],
        size_limit_bytes: int = DEFAULT_SIZE_LIMIT_BYTES,
        commit_period_s: float = 0.2,
        on_commit: OnCommit | None = None,
        on_trouble: OnTrouble | None = None,
        outlets: Collection[str] | None = None,
        queue_limit: int = QUEUE_LIMIT_RECORDS,
        check_s: float = CHECK_AT_OPENING_S,
        vfs: str | None = None,
        keep_years: float = DEFAULT_KEEP_YEARS,
        signer: Signs | None = None,
    ) -> Self:
        """Open or create a journal for writing and start its thread.

        Args:
            path: the file; ``-wal``, ``-shm``, ``.holder`` and ``.reserve`` stand beside it.
            wall_us: UTC in microseconds.
            size_limit_bytes: bound of all of it together.
            commit_period_s: least time between two commits.
            on_commit, on_trouble: see the attributes.
            outlets: those whose undelivered records are kept; None for all that have a cursor.
            queue_limit: records that may wait.
            check_s: longest time for the check of an existing file before it is in use; 0 leaves
                it all for later.
            vfs: SQLite's name of the file system layer, None for the usual one.
            keep_years: how long the audited record is kept at least, whatever its size.
            signer: signs the heads of the audited record; None leaves them unsigned.

        Raises:
            JournalHeld: another process has it.
            JournalDamaged: the check found damage.
            JournalError: anything else that stands in the way.
        """
        file = Path(path)
        connect.check_library()
        connect.check_path(file, writing=True)
        now_us = wall_us()
        holder = Holder(file, now_us)
        try:
            ledger = Ledger(file, now_us, check_s, vfs, signer)
        except BaseException:
            holder.release()
            raise
        reached = holder.reached
        if reached is not None and reached[1] == ledger.id and reached[0] > ledger.head:
            ledger.abandon()
            holder.release()
            raise connect.damaged(
                file, f"it ends with record {ledger.head}, but {reached[0]} had been committed"
            )
        try:
            if outlets is not None:
                ledger.add_outlets(outlets)
        except apsw.Error as error:
            translated = connect.translate(error, file, ledger.connection)
            ledger.close()
            holder.release()
            raise translated from error
        reserve = Reserve(file, max(64 << 10, min(1 << 20, size_limit_bytes // 16)))
        reserve.take()
        retention = Retention(ledger, size_limit_bytes, reserve.size_bytes, outlets, keep_years)
        journal = cls(
            ledger, holder, retention, reserve,
            commit_period_s=commit_period_s, wall_us=wall_us, queue_limit=queue_limit,
        )  # fmt: skip
        journal.on_commit = on_commit
        journal.on_trouble = on_trouble
        journal._thread.start()
        if not ledger.checked:
            journal._later = LaterCheck(file, vfs)
        return journal

    # --- for whoever submits ------------------------------------------------------------------

    def submit(
        self, records: Sequence[Record], *, state: str | None = None, alive: Alive | None = None
    ) -> bool:
        """Queue records for one transaction, with what belongs to them.

        Args:
            records: in the order of plant time; their ``sequence`` is ignored.
            state: the engine's state after these records.
            alive: sign of life.

        Returns:
            False if the queue is full; then nothing was taken and the caller keeps it.

        Raises:
            Bug: a record the journal could not give back as it was (NaN).
            JournalError: the writer has ended.
        """
        for record in records:
            rows.check(record)
        return self._intake.submit(records, state, alive)

    def move_cursor(
        self, outlet: str, delivered: int, ahead_from: int = 0, ahead_to: int = 0
    ) -> None:
        """Note how far an outlet has delivered; on the disk with the next commit, within 1 s.

        Args:
            outlet: its name.
            delivered: every record up to it is confirmed; a smaller one than known is ignored.
            ahead_from, ahead_to: records confirmed before their turn, 0 if none.
        """
        self._intake.note(Cursor(outlet, delivered, ahead_from, ahead_to, self._wall_us()))

    def quarantine(self, outlet: str, sequence: int, why: str) -> None:
        """Note that an outlet's far side refuses a record for good."""
        self._intake.note(Quarantined(outlet, sequence, why, self._wall_us()))

    def remember_configuration(self, kind: str, text: str, hash: str) -> None:  # noqa: A002
        """Keep the text of a file that is in force from now on."""
        self._intake.note(Configuration(kind, hash, text, self._wall_us()))

    def flush(self, timeout_s: float | None = None) -> bool:
        """Wait until everything submitted so far is committed.

        Returns:
            False if that took longer than ``timeout_s``.

        Raises:
            JournalError: the writer has ended without it.
        """
        return self._intake.flush(timeout_s)

    def close(self, timeout_s: float = 10.0) -> None:
        """Commit everything queued, end the thread and let the journal go.

        Raises:
            JournalFull: there was no room for what was queued.
            JournalError: the writer had failed, or did not end in time.
        """
        self._intake.close()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            raise JournalError(f"the journal {self.path} did not end within {timeout_s:g} s")
        error = self.failed.exception()
        if error is not None:
            raise error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def backlog(self) -> int:
        """Records submitted and not yet committed."""
        return self._intake.backlog

    @property
    def full(self) -> bool:
        """Whether polling should pause: three quarters of the queue wait."""
        return self.backlog >= self._pause_at

    @property
    def _pause_at(self) -> int:
        return 3 * self._intake.limit // 4

    @property
    def trouble(self) -> str | None:
        """Why writing does not get on, or what else needs attention; None when all is well."""
        return self._trouble

    @property
    def record_in_danger(self) -> bool:
        """Whether the audited record will need attention: long before any of it has to go.

        It takes more than half of the journal's room, or the disk is getting short.
        """
        needed_bytes = RECORD_ROOM * self._reserve.size_bytes
        return self._retention.record_presses or free_bytes(self.path.parent) < needed_bytes

    @property
    def head(self) -> int:
        """The last committed sequence."""
        return self._ledger.head

    @property
    def progress(self) -> int:
        """Grows every few seconds while the writer lives, whether or not the disk is full."""
        return self._progress

    # --- the writer's thread ------------------------------------------------------------------

    def _run(self) -> None:
        error: WeirkeeperError | None = None
        try:
            self._work()
        except WeirkeeperError as expected:
            error = expected
        except apsw.Error as foreign:
            error = connect.translate(foreign, self.path, self._ledger.connection, "write")
            error.__cause__ = foreign
        except Exception as unexpected:
            error = Bug(f"the journal's writer failed: {unexpected!r}")
            error.__cause__ = unexpected
        if self._later is not None:
            self._later.stop()
        if error is None:
            self._ledger.close()
        else:
            self._ledger.abandon()
        self._holder.release()
        self._intake.end(error)

    def _work(self) -> None:
        more = False
        while True:
            batch, ticket = self._intake.take(wait=not more)
            if batch:
                self._commit(batch)
            self._progress += 1
            self._heed_check()
            if self._intake.settle(ticket, len(batch.records)):
                return
            more = self._tidy(len(batch.records))
            if batch and not more:
                self._intake.rest(self._commit_period_s)

    def _heed_check(self) -> None:
        """Take note of what the check has found meanwhile."""
        if self._later is None or self.checked:
            return
        if self._later.damage is not None:
            raise self._later.damage
        self.checked = self._later.through

    def _commit(self, batch: Batch) -> None:
        """Write a batch however long the disk is full."""
        delay_s = FIRST_RETRY_S
        while True:
            try:
                first = self._ledger.commit(batch)
                break
            except WAITED_OUT as error:
                reason = self._wait_out(error)
            if isinstance(reason, JournalFull) and self._make_room():
                continue
            if self._intake.wait_for_close(delay_s):
                raise type(reason)(f"{reason}; {self.backlog} records were not written")
            self._progress += 1
            delay_s = min(2 * delay_s, LONGEST_RETRY_S)
        self.blocked = False
        self._tell(batch.records, first)

    def _tell(self, records: Sequence[Record], first: int) -> None:
        if records:
            self._holder.note_reached(self._ledger.head, self._ledger.id)
        if records and self.on_commit is not None:
            self.on_commit(first + len(records) - 1, rows.numbered(records, first))

    def _wait_out(self, error: apsw.Error) -> JournalError:
        """Say what is waited for, or give up if waiting does not help."""
        reason = connect.translate(error, self.path, self._ledger.connection, "write")
        if not isinstance(error, apsw.BusyError) and not isinstance(reason, JournalFull):
            raise reason from error
        text = str(reason)
        if isinstance(reason, JournalFull):
            free_kib = free_bytes(self.path.parent) >> 10
            text += f" ({free_kib} KiB are free, a commit needs more)"
        self.blocked = True
        self._say(
            f"{text}; {self.backlog} records wait, polling pauses when it is {self._pause_at}"
        )
        return reason

    def _say(self, trouble: str | None) -> None:
        """Keep the text of today's trouble; tell when it begins, gets grave, and ends."""
        self._trouble = trouble
        grave = 0 if trouble is None else 2 if self.blocked else 1
        if (grave > self._told or grave == 0) and grave != self._told:
            self._told = grave
            if self.on_trouble is not None:
                self.on_trouble(trouble)

    def _make_room(self) -> bool:
        """Give up the reserve and let it help; True if it is worth another try at once."""
        if not self._reserve.release():
            return False
        try:
            self._ledger.checkpoint(truncate=True)
            for _ in range(100):
                if not self._keep_within_size(0, disk_full=True):
                    break
            self._ledger.checkpoint(truncate=True)
        except WAITED_OUT as error:
            self._wait_out(error)
        return True

    def _keep_within_size(self, written: int, *, disk_full: bool = False) -> bool:
        more, said = self._retention.step(written, disk_full=disk_full)
        self._tell(said, self._ledger.head - len(said) + 1)
        return more

    def _tidy(self, written: int) -> bool:
        """Bound the log and the file after a commit; True if there is more to do."""
        try:
            self._ledger.bound_log(self._retention.log_bytes)
            more = self._keep_within_size(written)
            self._ledger.bound_log(self._retention.log_bytes)
        except WAITED_OUT as error:
            if isinstance(self._wait_out(error), JournalFull):
                self._make_room()
            return False
        self._say(self._worry())
        return more

    def _worry(self) -> str | None:
        """What needs someone's attention although writing gets on, or None."""
        if self._retention.stuck:
            return (
                f"the journal {self.path} is larger than its limit, and all of it is still needed: "
                + (
                    "most of it is the audited record, which is kept"
                    if self._retention.record_presses
                    else "nothing older than the engine's last saved state is left to delete"
                )
            )
        if self._reserve.take():
            return None
        # A disk that was full counts as full until the reserve is back: no on and off at the brink.
        needed_kib = self._reserve.wanted_bytes >> 10
        return (
            f"hardly any room on the disk for the journal at {self.path}: "
            f"{free_bytes(self.path.parent) >> 10} KiB are free, {needed_kib} KiB should be"
        )
