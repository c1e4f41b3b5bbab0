"""Delivers the journal to an MQTT 5 broker with QoS 1.

On every connection: presence, then the newest state of every subject (so that a broker that forgot
its retained messages is right again), then the lanes of ``delivery.py``. A message the broker
refuses is tried again in its order, with everything after it; one it refuses again and again while
it takes others of the same sort goes to quarantine. If it takes none of the sort, the fault is not
the message's: the outlet is held, nothing is given up, and the sentence of its status says why.
"""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import Callable, Collection
from dataclasses import dataclass

import structlog

from collector.clock import MICROSECONDS, Clock
from collector.core.catalogue import Catalogue
from collector.core.records import ActionTaken, Record
from collector.errors import OutletError
from collector.outlets.broker import PACKET_OVERHEAD, BrokerConnection
from collector.outlets.contract import CursorKeeper, OutletStatus, Source
from collector.outlets.delivery import Cursor, Delivery, Lane
from collector.outlets.hearing import Hearing
from collector.outlets.news import Acknowledged, Deaf, Ended, News, Opened, Spoken
from collector.outlets.standing import Backoff, Patience, Standing
from collector.outlets.threads import within
from collector.outlets.topics import Message, Topics
from collector.plant.model import Plant
from collector.settings import MqttSettings

log = structlog.get_logger(__name__)

# MQTT 5.0, 3.4.2.1
NO_USE_IN_RETRYING = frozenset({0x90, 0x99})  # topic name invalid, payload format invalid
QUOTA_EXCEEDED = 0x97
FAILURE = 0x80
TRIES = 4
POLL_PERIOD_US = 1_000_000
READ_AHEAD = 2  # windows; so that each receipt lets the next message go without a read


@dataclass(frozen=True, slots=True)
class _Sent:
    """A message that is out: which record, of which sort, since when."""

    sequence: int | None
    topic: str
    sort: str
    at_us: int


class MqttOutlet:
    """The MQTT outlet; everything is called on one event loop.

    Args:
        settings: the broker.
        plant, catalogue: what the records are about.
        journal: keeps the cursor.
        reader: gives committed records.
        clock: plant time.
        patience: waiting times.
        alarms: subjects of the rules in force; None takes every alarm for one of them.
        take_action: called with what people say over the broker, if the settings switch that on.
    """

    name = "mqtt"

    def __init__(
        self,
        settings: MqttSettings,
        plant: Plant,
        catalogue: Catalogue,
        journal: CursorKeeper,
        reader: Source,
        clock: Clock,
        patience: Patience | None = None,
        alarms: Collection[str] | None = None,
        take_action: Callable[[ActionTaken], None] | None = None,
    ) -> None:
        self._settings = settings
        hears = settings.actions and take_action is not None
        self._hearing = Hearing(take_action) if hears and take_action is not None else None
        self._place = f"{settings.host}:{settings.port}"
        self._journal = journal
        self._reader = reader
        self._clock = clock
        self._patience = patience or Patience()
        self._client_id = settings.client_id or _client_id(settings, plant.plant.name)
        self._topics = Topics(settings.root, plant, catalogue, reader.journal_id, alarms)
        kept = reader.cursor(self.name)
        self._cursor = Cursor(kept.delivered, kept.ahead_from, kept.ahead_to)
        self._window = settings.window
        self._delivery = Delivery(self._cursor, READ_AHEAD * settings.window)
        self._read: dict[Lane, deque[Record]] = {Lane.LIVE: deque(), Lane.BACKLOG: deque()}
        self._last_lane = Lane.LIVE
        self._cursor_at_us = clock.now_us()
        self._head = reader.head()
        self._standing = Standing(self.name, clock)
        self._backoff = Backoff(
            self._patience.first_retry_s, self._patience.longest_retry_s, self._client_id
        )
        self._connection: BrokerConnection | None = None
        self._limits: Opened | None = None
        self._asked_us = 0
        self._connected_utc_us = 0
        self._try_at_us = clock.now_us()
        self._resend_at_us: int | None = None
        self._resend_backoff = Backoff(0.2, self._patience.longest_retry_s)
        self._out: dict[int, _Sent] = {}
        self._states_open = 0  # messages out that belong to no record of a lane
        self._state: deque[tuple[Record, str]] = deque()
        self._shown: dict[str, int] = {}
        self._taken: Counter[str] = Counter()
        self._tries: Counter[int] = Counter()
        self._wake = asyncio.Event()
        self._poll_at_us = 0
        self._running = False
        self._stopping = False
        self._ended = asyncio.Event()

    # --- what the daemon calls ------------------------------------------------------------------

    def notify(self, head: int) -> None:
        """Tell that records up to ``head`` are committed; on the event loop."""
        self._head = max(self._head, head)
        self._wake.set()

    def status(self) -> OutletStatus:
        """How delivery stands."""
        return self._standing.status(self._delivery, self._head)

    def answer(self, action: ActionTaken, refused: str, number: int) -> None:
        """Tell who spoke over the broker what became of it; on the event loop.

        Args:
            action: as it was taken.
            refused: why it has no effect; empty if it has.
            number: of its record, 0 where there is none.
        """
        if self._hearing is not None:
            self._hearing.answer(action.actor, str(action.details["id"]), refused, number)
            self._wake.set()

    async def run(self) -> None:
        """Deliver until ``stop`` is called or the task is cancelled."""
        self._running = True
        ticker = asyncio.create_task(self._tick())
        try:
            while not self._stopping:
                await self._wake.wait()
                self._wake.clear()
                self._turn()
            await self._say_goodbye()
        finally:
            ticker.cancel()
            if self._connection is not None:
                self._connection.cut()
                self._connection = None
            self._standing.turn("stopped", "the collector no longer delivers")
            self._ended.set()
            self._keep_cursor(now=True)

    async def stop(self) -> None:
        """End ``run`` with a clean goodbye and the cursor handed to the journal."""
        self._stopping = True
        self._wake.set()
        if self._running:
            await self._ended.wait()

    # --- the loop -------------------------------------------------------------------------------

    async def _tick(self) -> None:
        period_us = int(self._patience.tick_s * MICROSECONDS)
        while True:
            self._wake.set()
            await self._clock.sleep_until(self._clock.now_us() + period_us)

    def _turn(self) -> None:
        now_us = self._clock.now_us()
        if now_us >= self._poll_at_us:  # should a notification have been missed
            self._head = max(self._head, self._reader.head())
            self._poll_at_us = now_us + POLL_PERIOD_US
        connection = self._connection
        if connection is None:
            if now_us >= self._try_at_us:
                self._connect(now_us)
            return
        self._hear(connection.news, now_us)
        self._keep_cursor()
        if self._connection is not connection:
            return
        if now_us - self._waiting_since_us(now_us) > self._patience.answer_s * MICROSECONDS:
            self._lose(f"no answer for {self._patience.answer_s:g} s", held=False)
        elif self._limits is not None:
            try:
                self._send_what_is_due(now_us)
            except OutletError as error:
                self._lose(str(error), held=False)

    def _waiting_since_us(self, now_us: int) -> int:
        """Since when the broker owes an answer, to the connection or to the oldest message."""
        if self._limits is None:
            return self._asked_us
        return next(iter(self._out.values())).at_us if self._out else now_us

    def _connect(self, now_us: int) -> None:
        self._connected_utc_us = self._clock.wall_us()
        self._asked_us = now_us
        will = self._topics.presence("lost", self._connected_utc_us)
        try:
            listen = None if self._hearing is None else self._topics.actions
            self._connection = BrokerConnection(
                self._settings, self._client_id, will, self._wake.set, listen
            )
        except OutletError as error:
            self._try_later(str(error), held=True)

    def _hear(self, news: deque[News], now_us: int) -> None:
        while news and self._connection is not None:
            item = news.popleft()
            if isinstance(item, Acknowledged):
                self._acknowledged(item, now_us)
            elif isinstance(item, Ended):
                self._lose(item.why, item.held)
            elif isinstance(item, Spoken):
                if self._hearing is not None:
                    self._hearing.hear(item, now_us, self._clock.wall_us() - now_us)
            elif isinstance(item, Deaf):
                log.warning("nobody can act over the broker", because=item.why)
            else:
                self._opened(item, now_us)

    def _opened(self, limits: Opened, now_us: int) -> None:
        if not limits.confirms:
            self._lose("the broker offers no QoS 1, so it cannot confirm anything", held=True)
            return
        self._limits = limits
        self._head = max(self._head, self._reader.head())
        self._window = min(self._settings.window, limits.window)
        self._rewind()
        self._delivery.begin(self._head, READ_AHEAD * self._window)
        self._state = deque(self._newest_states())
        self._shown.clear()
        self._taken.clear()
        self._tries.clear()
        self._standing.turn("delivering", f"connected to {self._place}")
        try:
            self._publish(
                self._topics.presence("present", self._connected_utc_us), None, "", now_us
            )
        except OutletError as error:
            self._lose(str(error), held=False)

    def _lose(self, why: str, held: bool) -> None:
        """Give the connection up; whatever was not confirmed will be read and sent again."""
        if self._connection is not None:
            self._connection.cut()
            self._connection = None
        self._limits = None
        self._standing.retried += sum(sent.sequence is not None for sent in self._out.values())
        self._out.clear()
        self._states_open = 0
        self._state.clear()
        self._resend_at_us = None
        self._rewind()
        self._keep_cursor(now=True)
        self._try_later(why, held)

    def _try_later(self, why: str, held: bool) -> None:
        wait_us = self._backoff.next_us()
        if held:
            wait_us = int(self._patience.held_retry_s * MICROSECONDS)
        self._try_at_us = self._clock.now_us() + wait_us
        self._standing.turn("held" if held else "unreachable", why)

    # --- sending --------------------------------------------------------------------------------

    def _newest_states(self) -> list[tuple[Record, str]]:
        newest: dict[str, Record] = {}
        for record in self._reader.latest().values():
            try:
                tail = self._topics.state_tail(record)
            except ValueError:  # the lane will put it in quarantine
                continue
            if tail is not None and (tail not in newest or newest[tail].sequence < record.sequence):
                newest[tail] = record
        return sorted(
            ((record, tail) for tail, record in newest.items()), key=lambda pair: pair[0].sequence
        )

    def _send_what_is_due(self, now_us: int) -> None:
        if self._resend_at_us is not None:
            if self._out or now_us < self._resend_at_us:
                return
            self._resend_at_us = None
            self._rewind()
        while self._hearing and self._hearing.answers and len(self._out) < self._window:
            message = self._topics.answer(*self._hearing.answers.popleft())
            self._publish(message, None, "answer", now_us)
        while self._state and len(self._out) < self._window:
            record, tail = self._state.popleft()
            self._shown[tail] = record.sequence
            try:
                present = self._topics.has_present(record)
                message = self._topics.now(record, tail) if present else self._topics.cleared(tail)
            except ValueError:
                continue
            self._publish(message, None, "now", now_us)
        if self._states_open:
            return  # states first, so that nothing older can follow something newer
        while (wanted := self._delivery.wanted(self._head)) is not None:
            records = self._reader.records_between(wanted.first, wanted.last, wanted.limit)
            self._delivery.sent(wanted, [record.sequence for record in records])
            self._read[wanted.lane].extend(records)
        while len(self._out) < self._window and (lane := self._next_lane()) is not None:
            self._send(self._read[lane].popleft(), lane, now_us)

    def _next_lane(self) -> Lane | None:
        """The lane whose turn it is, or the other where that has nothing."""
        turn = Lane.BACKLOG if self._last_lane is Lane.LIVE else Lane.LIVE
        if not self._read[turn]:
            turn = self._last_lane
        self._last_lane = turn
        return turn if self._read[turn] else None

    def _rewind(self) -> None:
        for records in self._read.values():
            records.clear()
        self._delivery.rewind()

    def _send(self, record: Record, lane: Lane, now_us: int) -> None:
        try:
            found = self._message(record, lane)
        except ValueError as error:
            self._quarantine(record.sequence, str(error))
            return
        if found is None:
            self._delivery.confirm(record.sequence)
            return
        message, sort = found
        assert self._limits is not None
        largest = self._limits.largest_packet
        size = len(message.topic.encode()) + len(message.payload) + PACKET_OVERHEAD
        if largest is not None and size > largest:
            why = f"{size} bytes, and the broker takes packets of at most {largest}"
            self._quarantine(record.sequence, why)
            return
        self._publish(message, record.sequence, sort, now_us)

    def _message(self, record: Record, lane: Lane) -> tuple[Message, str] | None:
        tail = self._topics.state_tail(record)
        if tail is not None:
            if record.sequence <= self._shown.get(tail, 0) or lane is Lane.BACKLOG:
                return self._topics.late_state(record, tail), "late"
            self._shown[tail] = record.sequence
            return self._topics.now(record, tail), "now"
        tail = self._topics.event_tail(record)
        if tail is None:
            return None
        late = lane is Lane.BACKLOG
        return self._topics.event(record, tail, late), "late" if late else "event"

    def _publish(self, message: Message, sequence: int | None, sort: str, now_us: int) -> None:
        assert self._connection is not None
        assert self._limits is not None
        if message.retain and not self._limits.retains:
            message = Message(message.topic, message.payload, False)
        identifier = self._connection.publish(message)
        self._out[identifier] = _Sent(sequence, message.topic, sort, now_us)
        self._states_open += sequence is None

    def _announce(self, presence: str, now_us: int) -> None:
        message = self._topics.presence(presence, self._connected_utc_us)
        self._publish(message, None, "presence", now_us)

    # --- what the broker says of it -------------------------------------------------------------

    def _acknowledged(self, answer: Acknowledged, now_us: int) -> None:
        sent = self._out.pop(answer.identifier, None)
        if sent is None:
            return
        self._states_open -= sent.sequence is None
        if answer.code < FAILURE:
            self._taken[sent.sort] += 1
            if sent.sequence is not None:
                self._backoff.reset()
                self._delivery.confirm(sent.sequence)
                self._tries.pop(sent.sequence, None)
                if not self._tries:
                    self._resend_backoff.reset()
                    self._standing.turn("delivering", f"connected to {self._place}")
        elif sent.sequence is None:
            log.warning("message refused", outlet=self.name, topic=sent.topic, why=answer.why)
        else:
            self._refused(sent, sent.sequence, answer, now_us)

    def _refused(self, sent: _Sent, sequence: int, answer: Acknowledged, now_us: int) -> None:
        self._tries[sequence] += 1
        why = f"the broker refuses {sent.topic}: {answer.why}"
        hopeless = answer.code in NO_USE_IN_RETRYING
        worn_out = self._tries[sequence] >= TRIES and answer.code != QUOTA_EXCEEDED
        if self._taken[sent.sort] and (hopeless or worn_out):
            self._tries.pop(sequence)
            self._quarantine(sequence, why)
            return
        self._standing.retried += 1
        if self._resend_at_us is None:
            self._resend_at_us = now_us + self._resend_backoff.next_us()
        if not self._taken[sent.sort]:
            self._standing.turn("held", why)

    def _quarantine(self, sequence: int, why: str) -> None:
        self._journal.quarantine(self.name, sequence, why)
        self._standing.refuse(sequence, why)
        self._delivery.confirm(sequence)

    def _keep_cursor(self, now: bool = False) -> None:
        cursor = self._delivery.cursor
        now_us = self._clock.now_us()
        due_us = self._cursor_at_us + int(self._patience.cursor_s * MICROSECONDS)
        if cursor == self._cursor or (now_us < due_us and not now):
            return
        self._cursor, self._cursor_at_us = cursor, now_us
        self._journal.move_cursor(self.name, cursor.delivered, cursor.ahead_from, cursor.ahead_to)

    async def _say_goodbye(self) -> None:
        """Leave ``stopped`` as our presence and wait a moment for what is still out."""
        if self._connection is None or self._limits is None:
            return
        now_us = self._clock.now_us()
        until_us = now_us + int(self._patience.farewell_s * MICROSECONDS)
        try:
            self._publish(
                self._topics.presence("stopped", self._connected_utc_us), None, "", now_us
            )
        except OutletError:
            return
        while self._out and self._connection is not None and self._clock.now_us() < until_us:
            self._wake.clear()
            self._hear(self._connection.news, now_us)
            if self._out:
                await self._wake.wait()  # the ticker wakes it too
        if self._connection is not None:
            connection, self._connection = self._connection, None
            await within(self._clock, connection.part(), self._patience.farewell_s)


def _client_id(settings: MqttSettings, plant: str) -> str:
    """How the broker knows our connection; a second one of the same identifier ends the first.

    So neither the same plant below another root, on trial, nor a neighbour whose plant file has our
    name by mistake, but who has a user of its own, may come to the same one.
    """
    names = [settings.root, plant]
    if settings.user is not None and settings.user != plant:
        names.append(settings.user)
    return "-".join(names)
