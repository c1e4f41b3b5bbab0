"""What waits for the journal's writer: a bounded queue that never makes anyone wait.

Each thing handed in gets a ticket; once the ticket is done it is on the disk. Records, states and
signs of life are written at once; moved cursors and refused records gather for a second, because
they come often and losing the last second of them costs only repeated work.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import NamedTuple

from collector.core.records import Record
from collector.errors import JournalError, WeirkeeperError
from collector.journal.items import Alive, Configuration, Cursor, Quarantined
from collector.journal.ledger import Batch

LARGEST_BATCH_RECORDS = 5_000
CURSOR_DELAY_S = 1.0
IDLE_S = 1.0


class _Submission(NamedTuple):
    records: Sequence[Record]
    state: str | None
    alive: Alive | None
    ticket: int


class Intake:
    """The queue between those who submit and the writer's thread.

    Args:
        path: the journal, named in errors.
        limit: records that may wait.

    Attributes:
        failed: done with an error when the writer had to give up, with None after an orderly end.
        backlog: records submitted and not yet committed.
        closing: no more is taken; what is there is written.
    """

    def __init__(self, path: Path, limit: int) -> None:
        self.failed: Future[None] = Future()
        self.failed.set_running_or_notify_cancel()  # so that no one who waits can cancel it
        self.limit = limit
        self.backlog = 0
        self.closing = False
        self._path = path
        self._changed = threading.Condition()
        self._queue: deque[_Submission] = deque()
        self._facts = Batch()  # all but records
        self._given = self._done = self._flush_to = 0

    # --- for whoever submits ------------------------------------------------------------------

    def submit(self, records: Sequence[Record], state: str | None, alive: Alive | None) -> bool:
        """Queue a submission; False if there is no room for it.

        What waits is bounded by the records in it: one submission at most has none, one a state.
        """
        with self._changed:
            self._refuse_if_ended()
            if self.backlog and self.backlog + len(records) > self.limit:
                return False
            submission = _Submission(tuple(records), state, alive, self._ticket())
            if state is not None:  # it overtakes those that wait
                self._queue = deque(waiting._replace(state=None) for waiting in self._queue)
            if self._queue and not records:
                # Says something of what waits already: while the disk is full, signs of life and
                # states come for days, and the bound counts records.
                last = self._queue[-1]
                submission = last._replace(state=state or last.state, alive=alive or last.alive)
                self._queue[-1] = submission
            else:
                self._queue.append(submission)
            self.backlog += len(records)
        return True

    def note(self, item: Cursor | Quarantined | Configuration) -> None:
        """Queue a fact; of an outlet's cursors only the last counts."""
        with self._changed:
            self._refuse_if_ended()
            if isinstance(item, Cursor):
                self._facts.cursors[item.outlet] = item
            elif isinstance(item, Quarantined):
                self._facts.quarantined.append(item)
            else:
                self._facts.configurations.append(item)
            self._ticket()

    def flush(self, timeout_s: float | None) -> bool:
        """Wait until all that was handed in so far is done; False if it took longer."""
        with self._changed:
            wanted = self._given
            self._flush_to = max(self._flush_to, wanted)
            self._changed.notify_all()
            settled = self._changed.wait_for(
                lambda: self._done >= wanted or self.failed.done(), timeout_s
            )
            if self._done < wanted and self.failed.done():
                self._refuse_if_ended()
        return settled

    def close(self) -> None:
        """Take nothing more."""
        with self._changed:
            self.closing = True
            self._changed.notify_all()

    def _ticket(self) -> int:
        self._given += 1
        self._changed.notify_all()
        return self._given

    def _refuse_if_ended(self) -> None:
        if self.failed.done():
            error = self.failed.exception()
            if error is not None:
                raise error
        if self.closing:
            raise JournalError(f"the journal {self._path} is closed")

    # --- for the writer's thread --------------------------------------------------------------

    def take(self, *, wait: bool) -> tuple[Batch, int]:
        """The next transaction, empty if nothing came for a while.

        Args:
            wait: False if there is something else to do meanwhile.

        Returns:
            The batch, and the ticket up to which everything is done with it.
        """
        with self._changed:
            if wait:
                self._wait_for_work()
            batch, self._facts = self._facts, Batch()
            records = batch.records
            while self._queue:
                submission = self._queue[0]
                if records and len(records) + len(submission.records) > LARGEST_BATCH_RECORDS:
                    return batch, submission.ticket - 1
                self._queue.popleft()
                records.extend(submission.records)
                if submission.state is not None:
                    batch.state = (len(records), submission.state)
                batch.alive = submission.alive or batch.alive
            return batch, self._given

    def settle(self, ticket: int, records: int) -> bool:
        """Note what is on the disk now; True if nothing more will come."""
        with self._changed:
            self._done = ticket
            self.backlog -= records
            self._changed.notify_all()
            return self.closing and self._done == self._given

    def rest(self, period_s: float) -> None:
        """Let submissions gather, unless someone is in a hurry."""
        with self._changed:
            self._changed.wait_for(self._hurried, period_s)

    def wait_for_close(self, delay_s: float) -> bool:
        """Wait before another try; True if the journal is to be closed."""
        with self._changed:
            return self._changed.wait_for(lambda: self.closing, delay_s)

    def end(self, error: WeirkeeperError | None) -> None:
        """Tell everyone that the writer has ended, and why."""
        with self._changed:
            if error is None:
                self.failed.set_result(None)
            else:
                self.failed.set_exception(error)
            self._changed.notify_all()

    def _hurried(self) -> bool:
        return self.closing or self._flush_to > self._done

    def _urgent(self) -> bool:
        return bool(self._queue or self._facts.configurations) or self._hurried()

    def _wait_for_work(self) -> None:
        lazy = self._facts
        self._changed.wait_for(
            lambda: self._urgent() or bool(lazy.cursors or lazy.quarantined), IDLE_S
        )
        if lazy.cursors or lazy.quarantined:
            self._changed.wait_for(self._urgent, CURSOR_DELAY_S)
