"""Delivers notices: follows the journal, decides, records, hands over to mail and services.

Nothing goes out that is not committed as attempted first, and every result goes on record. With a
journal that takes nothing (a full disk) no notices go out. A crash between an attempt and its
result leaves open whether it arrived: it is made again under the same Message-ID and says that it
may be a repeat. So nothing is lost, and a doubled notice is one that says so.

At a start what was told is read back from the record of the last 30 days. An alarm that has stood
longer is not told again as new; the digest has it every day.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from functools import partial
from typing import Protocol
from zoneinfo import ZoneInfo

import structlog

from collector.clock import MICROSECONDS, Clock
from collector.core.alarms.rule import AlarmRule
from collector.core.catalogue import Catalogue
from collector.core.notices.courier import Courier, Errand, Outcome
from collector.core.notices.situation import KEPT_US, KINDS, Situation
from collector.core.notices.wording import Text, Words
from collector.core.records import Record, RecordKind
from collector.errors import JournalError
from collector.notices.mail import message_of, send_mail
from collector.notices.other_ways import send_by_service
from collector.notices.settings import NoticesSettings, is_mail, routes_of
from collector.outlets.contract import OutletStatus, StateWord
from collector.outlets.threads import in_daemon_thread, within
from collector.plant.model import Plant

PAGE = 2_000
LOOK_US = MICROSECONDS
LEAST_WAIT_US = 20_000
FAREWELL_S = 0.5
FORGET_US = 3_600 * MICROSECONDS
VALUES = (RecordKind.POINT, RecordKind.DERIVED, RecordKind.FINDING)

log = structlog.get_logger(__name__)


class Past(Protocol):
    """The journal's reader, as far as it is used here."""

    @property
    def journal_id(self) -> str: ...
    def head(self) -> int: ...
    def sequence_at(self, at_us: int) -> int: ...
    def records_after(
        self, sequence: int, limit: int, kinds: Sequence[RecordKind] | None = None
    ) -> list[Record]: ...
    def latest(
        self, kinds: Sequence[RecordKind] | None = None
    ) -> dict[tuple[RecordKind, str], Record]: ...
    def recent(self, limit: int) -> list[Record]: ...


Send = Callable[[str, str, Text, int], Outcome]
"""Delivers: way, identity of the notice, what it says, UTC in microseconds; blocks."""


class NoticesOutlet:
    """The notices of one plant; everything is called on one event loop.

    Args:
        settings: ways and people.
        plant, catalogue: what the records are about.
        rules: alarm rules in force.
        submit: hands records to the journal; False if it has no room.
        reader: gives committed records.
        clock: plant time.
        send: delivers; None for mail and services.
    """

    name = "notices"

    def __init__(
        self,
        settings: NoticesSettings,
        plant: Plant,
        catalogue: Catalogue,
        rules: Sequence[AlarmRule],
        submit: Callable[[Sequence[Record]], bool],
        reader: Past,
        clock: Clock,
        send: Send | None = None,
    ) -> None:
        self._settings = settings
        self._submit = submit
        self._reader = reader
        self._clock = clock
        self._send = send or partial(deliver, settings)
        self._zone = ZoneInfo(plant.plant.time_zone)
        self._routes = routes_of(settings)
        by_subject = {rule.subject: rule for rule in rules}
        self._words = Words(plant, catalogue, by_subject, self._routes, self._zone)
        self._courier: Courier | None = None
        self._outbox: list[Record] = []
        self._seen = self._head = reader.head()
        self._step_us = 0
        self._forget_us = 0
        self._sending: set[asyncio.Task[None]] = set()
        self._wake = asyncio.Event()
        self._stop_asked = asyncio.Event()
        self._ended = asyncio.Event()
        self._running = False
        self._state: StateWord = "starting"
        self._sentence = "has not tried yet"
        self._since_us = clock.now_us()
        self._failed = 0
        self._bug: BaseException | None = None

    # --- what the daemon calls ------------------------------------------------------------------

    def notify(self, head: int) -> None:
        """Tell that records up to ``head`` are committed; on the event loop."""
        self._head = max(self._head, head)
        self._wake.set()

    def status(self) -> OutletStatus:
        """How delivery stands; behind are notices that wait."""
        waiting = 0 if self._courier is None else self._courier.waiting
        return OutletStatus(
            self.name, self._state, self._since_us, self._sentence, self._seen, self._head,
            waiting, self._failed, 0,
        )  # fmt: skip

    async def run(self) -> None:
        """Deliver until ``stop`` is called or the task is cancelled."""
        self._running = True
        try:
            situation = await in_daemon_thread(self._read_back)
            self._courier = Courier(situation, self._routes, self._words, self._zone)
            while not self._stop_asked.is_set():
                if self._bug is not None:
                    raise self._bug
                self._turn(self._courier)
                await self._wait()
        finally:
            for task in self._sending:
                task.cancel()
            self._turned("stopped", "stopped")
            self._ended.set()

    async def stop(self) -> None:
        """End in an orderly way: attempts under way are waited for a little, and recorded."""
        if self._sending:
            waiting = asyncio.gather(*self._sending, return_exceptions=True)
            await within(self._clock, waiting, FAREWELL_S)
        self._stop_asked.set()
        self._wake.set()
        if self._running:
            await self._ended.wait()
        with contextlib.suppress(JournalError):  # the journal itself has told
            self._hand_in()

    # --- work -----------------------------------------------------------------------------------

    def _read_back(self) -> Situation:
        """How everything stands, from the record; in a thread of its own."""
        reader = self._reader
        facts = {fact for rule in self._words.rules.values() for fact in rule.condition.facts}
        situation = Situation(facts)
        first = reader.sequence_at(self._clock.now_us() - KEPT_US)
        latest = sorted(
            reader.latest((*VALUES, *KINDS)).values(), key=lambda record: record.sequence
        )
        for record in latest:
            earlier = record.sequence < first and record.kind is not RecordKind.NOTICE
            if earlier or record.kind in VALUES:
                situation.take(record)
        sequence = first - 1
        while sequence < self._seen:
            page = reader.records_after(sequence, PAGE, KINDS)
            for record in page:
                if record.sequence <= self._seen:
                    situation.take(record)
            sequence = page[-1].sequence if page else self._seen
        for record in reader.recent(1):
            situation.offset_us = record.utc_us - record.at_us
        return situation

    def _turn(self, courier: Courier) -> None:
        now_us = self._clock.now_us()
        while self._seen < self._head:
            page = self._reader.records_after(self._seen, PAGE)
            if not page:
                break
            courier.take(page)
            self._seen = page[-1].sequence
            if any(record.kind in KINDS for record in page):
                self._step_us = now_us
        for errand in courier.errands():
            task = asyncio.create_task(self._make(courier, errand))
            self._sending.add(task)
            task.add_done_callback(self._made)
        if self._hand_in() and now_us >= self._step_us:
            if now_us >= self._forget_us:
                courier.situation.forget(now_us)
                self._forget_us = now_us + FORGET_US
            records, self._step_us = courier.step(now_us)
            self._outbox += records
            self._hand_in()

    def _hand_in(self) -> bool:
        """Hand to the journal what waits for it; whether it has taken all."""
        if self._outbox and self._submit(self._outbox):
            self._outbox = []
        return not self._outbox

    async def _make(self, courier: Courier, errand: Errand) -> None:
        """Make one attempt and record how it ended."""
        notice = errand.notice
        utc_us = self._clock.now_us() + courier.situation.offset_us
        identity = f"{notice.id}.{self._reader.journal_id}"
        outcome = await in_daemon_thread(
            lambda: self._send(notice.way, identity, errand.text, utc_us)
        )
        self._outbox.append(courier.done(errand, outcome, self._clock.now_us()))
        if outcome.arrived:
            self._turned("delivering", f"{notice.to} has been told")
        else:
            self._failed += 1
            self._turned("unreachable", f"{notice.to}: {outcome.why}")

    def _made(self, task: asyncio.Task[None]) -> None:
        self._sending.discard(task)
        self._bug = self._bug or (None if task.cancelled() else task.exception())
        self._wake.set()

    async def _wait(self) -> None:
        now_us = self._clock.now_us()
        until_us = max(min(now_us + LOOK_US, self._step_us), now_us + LEAST_WAIT_US)
        sleeping = asyncio.ensure_future(self._clock.sleep_until(until_us))
        waking = asyncio.ensure_future(self._wake.wait())
        try:
            await asyncio.wait({sleeping, waking}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
            waking.cancel()
        self._wake.clear()
        self._head = max(self._head, self._reader.head())  # should a notification be missed

    def _turned(self, state: StateWord, sentence: str) -> None:
        if state != self._state:
            self._since_us = self._clock.now_us()
        if (state, sentence) != (self._state, self._sentence):
            tell = log.warning if state == "unreachable" else log.info
            tell("outlet", outlet=self.name, state=state, sentence=sentence)
        self._state, self._sentence = state, sentence


def deliver(settings: NoticesSettings, way: str, identity: str, text: Text, utc_us: int) -> Outcome:
    """Make one attempt, by mail or a service; blocks.

    Args:
        settings: ways and mail server.
        way: its name.
        identity: of the notice, the same at each attempt.
        text: what it says.
        utc_us: date of a mail.
    """
    address = settings.ways[way].get_secret_value()
    if is_mail(settings.ways[way]):
        return send_mail(settings, address, message_of(settings, address, identity, text, utc_us))
    return send_by_service(address, text)
