"""Delivers the journal to a time-series store by line protocol over HTTP.

One batch is out at a time, and what the store answers with 204 is delivered. Live rows come first
in a batch, the backlog fills it up. So that a burst costs one request, the first live row waits
``gather_s`` for others, unless a batch is full or the collector stops. While a backlog is worked
off, the next batch is made during the write of the one before.

A batch the store refuses is halved until the bad rows are alone; those go to quarantine, the rest
is delivered. If the store has taken nothing at all, it is not the rows: the outlet is held, nothing
is given up, and its status says why.

A store may answer 204 seconds before the rows are on its disk, and a mains failure takes store and
collector together. So the durable cursor moves over a row only when the store has answered again
``settle_s`` after it; where nothing else is to be written then, the last row is, once more. When
the store has been away, what had not settled is written again: at most once a minute, and no longer
than for a quarter of an hour, so that a bad line cannot keep the cursor from moving. A row written
twice changes nothing. A store that dies and is back between two writes goes unnoticed, and so does
what it lost.

What a store drops for good after having answered 204 nobody can know here. Give it a retention
longer than the longest outage; some stores count what they ignore, watch that count.

A write blocks, so it is made in a thread of its own.
"""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import replace
from typing import Any

from collector.clock import MICROSECONDS, Clock
from collector.core.catalogue import Catalogue
from collector.outlets.contract import CursorKeeper, OutletStatus, Source
from collector.outlets.delivery import Cursor, Delivery
from collector.outlets.rows import Rows
from collector.outlets.standing import Backoff, Patience, Standing
from collector.outlets.store_client import Answer, StoreClient, Verdict
from collector.outlets.threads import CallThread, within
from collector.plant.model import Plant
from collector.settings import StoreSettings

REFUSALS_BEFORE_DOUBT = 10
POLL_PERIOD_US = 1_000_000
BACK_PERIOD_US = 60_000_000
LONGEST_HELD_BACK_US = 900_000_000
WINDOW_BATCHES = 3
"""The batch that is out, the one made meanwhile, and the share of the window no lane may take."""
CALM_TICKS = 4  # from one look to the next while no attempt is due

Row = tuple[int, str]


class StoreOutlet:
    """The store outlet; everything is called on one event loop.

    Args:
        settings: the store.
        plant, catalogue: what the records are about.
        journal: keeps the cursor.
        reader: gives committed records.
        clock: plant time.
        patience: waiting times.
    """

    name = "store"

    def __init__(
        self,
        settings: StoreSettings,
        plant: Plant,
        catalogue: Catalogue,
        journal: CursorKeeper,
        reader: Source,
        clock: Clock,
        patience: Patience | None = None,
    ) -> None:
        self._settings = settings
        self._journal = journal
        self._reader = reader
        self._clock = clock
        self._patience = patience or Patience()
        self._rows = Rows(plant, catalogue)
        kept = reader.cursor(self.name)
        self._kept = Cursor(kept.delivered, kept.ahead_from, kept.ahead_to)
        self._settling: deque[tuple[int, Cursor]] = deque()
        self._settle_us = int(self._patience.settle_s * MICROSECONDS)
        self._went_back_us: int | None = None
        self._back_owed = False
        self._newest: Row | None = None  # of those written
        self._answered_us = clock.now_us()
        self._moved_us = clock.now_us()  # when the durable cursor last moved, or had no need to
        self._delivery = self._new_delivery()
        self._ahead: list[Row] = []  # made while the batch before it is out
        self._waiting_since_us: int | None = None  # of live rows
        self._moment: asyncio.Task[None] | None = None
        self._head = reader.head()
        self._standing = Standing(self.name, clock)
        self._backoff = Backoff(
            self._patience.first_retry_s, self._patience.longest_retry_s, plant.plant.name
        )
        self._begun = False
        self._taken = False
        self._try_at_us = 0
        self._poll_at_us = 0
        self._wake = asyncio.Event()
        self._stop_asked = asyncio.Event()
        self._running = False
        self._ended = asyncio.Event()
        self._thread = CallThread()

    # --- what the daemon calls ------------------------------------------------------------------

    def notify(self, head: int) -> None:
        """Tell that records up to ``head`` are committed; on the event loop."""
        if head > self._head:
            self._head = head
            if self._waiting_since_us is None:
                self._waiting_since_us = self._clock.now_us()
            if self._moment is not None and self._waiting >= self._settings.batch:
                self._moment.cancel()
        self._wake.set()

    def status(self) -> OutletStatus:
        """How delivery stands."""
        return self._standing.status(self._delivery, self._head)

    async def run(self) -> None:
        """Deliver until ``stop`` is called or the task is cancelled."""
        self._running = True
        ticker = asyncio.create_task(self._tick())
        try:
            with StoreClient(self._settings) as client:
                while not self._stop_asked.is_set():
                    await self._wake.wait()
                    self._wake.clear()
                    await self._turn(client)
        finally:
            ticker.cancel()
            self._thread.end()
            self._standing.turn("stopped", "the collector no longer delivers")
            self._ended.set()
            if not self._back_owed:  # a store that lives will keep what it has
                self._move_cursor(self._delivery.cursor)

    async def stop(self) -> None:
        """End ``run`` with the cursor handed to the journal; a write under way gets a moment."""
        self._stop_asked.set()
        self._wake.set()
        if self._moment is not None:
            self._moment.cancel()
        if self._running:
            await self._ended.wait()

    # --- the loop -------------------------------------------------------------------------------

    async def _tick(self) -> None:
        period_us = int(self._patience.tick_s * MICROSECONDS)
        while True:
            self._wake.set()
            now_us = self._clock.now_us()
            ticks = 1 if now_us < self._try_at_us else CALM_TICKS
            await self._clock.sleep_until(now_us + ticks * period_us)

    async def _turn(self, client: StoreClient) -> None:
        while not self._stop_asked.is_set():
            now_us = self._clock.now_us()
            if now_us >= self._poll_at_us:  # should a notification have been missed
                self._head = max(self._head, self._reader.head())
                self._poll_at_us = now_us + POLL_PERIOD_US
            self._keep_cursor()
            if now_us < self._try_at_us:
                return
            if self._back_owed:
                self._go_back()
            if not self._begun:
                self._delivery.begin(self._head)
                self._begun = True
            await self._let_gather()
            batch = self._ahead or self._gather()
            self._ahead = []
            if batch:
                await self._deliver(client, batch)
            elif self._newest is not None and self._waits_for_life(now_us):
                await self._deliver(client, [self._newest])
            else:
                return

    async def _let_gather(self) -> None:
        """Give live rows the moment they have to come together."""
        if self._waiting_since_us is None or not 0 < self._waiting < self._settings.batch:
            return
        due_us = self._waiting_since_us + int(self._patience.gather_s * MICROSECONDS)
        self._moment = asyncio.ensure_future(self._clock.sleep_until(due_us))
        try:
            await asyncio.wait({self._moment})
        finally:
            self._moment.cancel()
            self._moment = None

    @property
    def _waiting(self) -> int:
        """Records neither confirmed nor out."""
        return self._delivery.behind(self._head) - self._delivery.unconfirmed

    def _new_delivery(self) -> Delivery:
        return Delivery(self._kept, WINDOW_BATCHES * self._settings.batch)

    def _gather(self) -> list[Row]:
        """Read the next batch and make its rows."""
        self._waiting_since_us = None
        batch: list[Row] = []
        while (left := self._settings.batch - len(batch)) > 0:
            wanted = self._delivery.wanted(self._head)
            if wanted is None:
                break
            wanted = replace(wanted, limit=min(wanted.limit, left))
            records = self._reader.records_between(wanted.first, wanted.last, wanted.limit)
            self._delivery.sent(wanted, [record.sequence for record in records])
            for record in records:
                try:
                    line = self._rows.line(record)
                except ValueError as error:
                    self._quarantine(record.sequence, str(error))
                    continue
                if line:
                    batch.append((record.sequence, line))
                else:
                    self._delivery.confirm(record.sequence)
        return batch

    async def _deliver(self, client: StoreClient, batch: list[Row]) -> None:
        parts = [batch]
        bad: list[tuple[int, str]] = []
        while parts:
            part = parts.pop()
            answer = await self._write(client, part)
            if answer is None:
                return
            if answer.verdict is Verdict.WRITTEN:
                self._written(part)
            elif answer.verdict is not Verdict.BAD_ROWS:
                self._fail(answer)
                return
            elif len(part) > 1:
                middle = len(part) // 2
                parts += [part[middle:], part[:middle]]
            else:
                bad.append((part[0][0], answer.why))
                if not self._taken and len(bad) >= REFUSALS_BEFORE_DOUBT:
                    break
        if bad and not self._taken:
            self._fail(Answer(Verdict.HELD, f"the store refuses every row: {bad[0][1]}"))
            return
        for sequence, why in bad:
            self._answered_us = self._clock.now_us()
            self._quarantine(sequence, why)

    def _written(self, part: list[Row]) -> None:
        for sequence, _ in part:
            self._delivery.confirm(sequence)
        self._newest = part[-1]
        self._answered_us = self._clock.now_us()
        self._taken = True
        self._backoff.reset()
        self._standing.turn("delivering", f"writing to {self._settings.url}")
        self._keep_cursor()

    def _fail(self, answer: Answer) -> None:
        """Wait, then begin again from the cursor."""
        self._begun = self._taken = False
        self._ahead = []
        self._standing.retried += 1
        self._delivery.rewind()
        self._keep_cursor()
        if answer.away:
            self._go_back()
        wait_us = self._backoff.next_us()
        held = answer.verdict is Verdict.HELD
        if held:
            wait_us = int(self._patience.held_retry_s * MICROSECONDS)
        if answer.wait_s is not None:
            wait_us = max(wait_us, int(answer.wait_s * MICROSECONDS))
        self._try_at_us = self._clock.now_us() + wait_us
        self._standing.turn("held" if held else "unreachable", answer.why)

    async def _write(self, client: StoreClient, part: list[Row]) -> Answer | None:
        """Write rows; None where a stop came first."""
        lines = [line for _, line in part]
        writing = self._thread.start(lambda: client.write(lines))
        if not self._ahead and self._waiting >= self._settings.batch:
            self._ahead = self._gather()
        stopping = asyncio.ensure_future(self._stop_asked.wait())
        both: set[asyncio.Future[Any]] = {writing, stopping}
        try:
            await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
            if not writing.done():
                await within(self._clock, writing, self._patience.farewell_s)
            return writing.result() if writing.done() and not writing.cancelled() else None
        finally:
            stopping.cancel()
            writing.cancel()

    def _quarantine(self, sequence: int, why: str) -> None:
        self._journal.quarantine(self.name, sequence, why)
        self._standing.refuse(sequence, why)
        self._delivery.confirm(sequence)

    def _waits_for_life(self, now_us: int) -> bool:
        """Whether rows have had the time to settle, and only an answer of the store is missing."""
        due_us = self._settling[0][0] + self._settle_us if self._settling else now_us + 1
        return self._answered_us < due_us <= now_us and not self._back_owed

    def _keep_cursor(self) -> None:
        """Note how far the store has confirmed, and keep what has settled."""
        now_us = self._clock.now_us()
        noted = self._settling[-1] if self._settling else (0, self._kept)
        due_us = noted[0] + int(self._patience.cursor_s * MICROSECONDS)
        if self._delivery.cursor != noted[1] and now_us >= due_us:
            self._settling.append((self._answered_us, self._delivery.cursor))
        settled = self._kept
        while self._settling and self._has_settled(self._settling[0][0], now_us):
            settled = self._settling.popleft()[1]
        self._move_cursor(settled)
        if self._kept == self._delivery.cursor:
            self._moved_us = now_us

    def _has_settled(self, at_us: int, now_us: int) -> bool:
        """Whether the store was there long enough after it had answered at ``at_us``."""
        if self._newest is None:  # nothing was written, only records that have no row
            return True
        if now_us - self._moved_us > LONGEST_HELD_BACK_US:
            return at_us + self._settle_us <= now_us
        return at_us + self._settle_us <= self._answered_us and not self._back_owed

    def _move_cursor(self, cursor: Cursor) -> None:
        if cursor != self._kept:
            self._kept, self._moved_us = cursor, self._clock.now_us()
            self._journal.move_cursor(
                self.name, cursor.delivered, cursor.ahead_from, cursor.ahead_to
            )

    def _go_back(self) -> None:
        """Write again what the store may have lost with whatever made it go away."""
        now_us = self._clock.now_us()
        self._back_owed = False
        if now_us - self._moved_us > LONGEST_HELD_BACK_US:
            return
        if self._went_back_us is None or now_us - self._went_back_us >= BACK_PERIOD_US:
            self._went_back_us = now_us
            self._settling.clear()
            self._begun = False
            self._ahead = []
            self._delivery = self._new_delivery()
        else:
            self._back_owed = self._kept != self._delivery.cursor  # when the minute is over
