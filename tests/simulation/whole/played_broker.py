"""The broker as the client library shows it: the calls of paho's ``Client`` that are used.

What it took and what it did not take is kept, to be compared with the journal afterwards.
"""

from __future__ import annotations

import errno
import json
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from types import SimpleNamespace
from typing import Any

from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from tests.simulation.whole.virtual_loop import Agenda

GIVEN_UP = 0x83  # MQTT 5.0, 3.4.2.1: implementation specific error
QUOTA = 0x97
NOT_AUTHORISED = 0x87


@dataclass(slots=True)
class Mood:
    """How the broker is.

    Args:
        up: it runs.
        dumb: it takes connections and answers nothing.
        refuses: CONNACK reason code instead of a connection, 0 for none.
        delay_s: least and most time of each way.
        refused: share of publications it refuses.
        unheard: share of publications that it takes, but the connection breaks before the answer.
        lost: share upon which the connection breaks before it has them.
        late: share of answers that take long.
        window: Receive Maximum it names, 0 for none.
    """

    up: bool = True
    dumb: bool = False
    refuses: int = 0
    delay_s: tuple[float, float] = (0.002, 0.03)
    refused: float = 0.0
    unheard: float = 0.0
    lost: float = 0.0
    late: float = 0.0
    window: int = 0


@dataclass(frozen=True, slots=True)
class Publication:
    """One that arrived; ``code`` is what it was answered, 0 if taken."""

    connection: int
    at_ns: int
    topic: str
    payload: bytes
    retain: bool
    code: int


@dataclass
class PlayedBroker:
    """The broker.

    Args:
        agenda: time.
        rng: decides.
        note: told of everything, for the trace.
    """

    agenda: Agenda
    rng: Random
    note: Callable[..., None]
    mood: Mood = field(default_factory=Mood)
    log: list[Publication] = field(default_factory=list)
    retained: dict[str, bytes] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    clients: list[PlayedClient] = field(default_factory=list)
    answers: dict[str, dict[str, Any]] = field(default_factory=dict)
    connections: int = 0
    wakes: bool = True

    def client(self, *_: object, **named: object) -> PlayedClient:
        """What ``Client(...)`` makes."""
        made = PlayedClient(self)
        self.clients.append(made)
        return made

    def take(self, client: PlayedClient, topic: str, payload: bytes, retain: bool) -> int:
        """A publication has arrived; the reason code of its answer."""
        code = 0
        if self.rng.random() < self.mood.refused:
            code = self.rng.choice([GIVEN_UP, QUOTA])
            self.counts["refused"] += 1
        self.note("published", topic, payload, code)
        self.log.append(
            Publication(client.number, self.agenda.now_ns, topic, payload, retain, code)
        )
        if code == 0:
            self.counts["taken"] += 1
            if retain:
                self.retained[topic] = payload
            if "/answer/" in topic:
                told = json.loads(payload)
                self.answers[str(told.get("id"))] = told
        return code

    def drop_all(self) -> None:
        """All connections are gone, without a word."""
        for client in list(self.clients):
            client.broken = True
            client.up = False
        self.clients.clear()

    def break_all(self, code: int = 0) -> None:
        """All connections break; with a code the broker says why."""
        for client in list(self.clients):
            client.break_off(code)

    def say(self, topic: str, payload: bytes) -> bool:
        """Somebody publishes what we listen to; False if nobody hears."""
        heard = [client for client in self.clients if client.up and client.listens]
        for client in heard:
            client.hear(topic, payload)
        return bool(heard)


class PlayedClient:
    """A client as the daemon uses it."""

    on_socket_open: Any = None
    on_connect: Any = None
    on_connect_fail: Any = None
    on_disconnect: Any = None
    on_publish: Any = None
    on_message: Any = None
    on_subscribe: Any = None

    def __init__(self, broker: PlayedBroker) -> None:
        self.up = False
        self.broken = False
        self.listens = False
        self.number = 0
        self.suppress_exceptions = False
        self.connect_timeout = 0.0
        self._broker = broker
        self._mid = 0
        self._arrives_ns = 0
        self._will: tuple[str, bytes, bool] | None = None
        self._shut = False

    # --- settings -------------------------------------------------------------------------------

    def max_inflight_messages_set(self, _: int) -> None:
        """Nothing: the daemon keeps its own window."""

    def max_queued_messages_set(self, _: int) -> None:
        """Nothing."""

    def will_set(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        """As in paho."""
        self._will = (topic, payload, retain)

    def username_pw_set(self, user: str, password: str | None) -> None:
        """Everybody is let in."""

    def connect_async(self, *_: object, **__: object) -> None:
        """As in paho: ``loop_start`` does it."""

    # --- life -----------------------------------------------------------------------------------

    def loop_start(self) -> None:
        """Connect."""
        broker = self._broker
        broker.counts["attempts"] += 1
        broker.agenda.after(broker.rng.uniform(*broker.mood.delay_s), self._arrive)

    def _arrive(self) -> None:
        broker, mood = self._broker, self._broker.mood
        if self.broken or mood.dumb:
            return
        if not mood.up:
            self._give_up()
        elif mood.refuses:
            reason = ReasonCode(PacketTypes.CONNACK, identifier=mood.refuses)
            self.on_connect(self, None, None, reason, None)
        else:
            broker.connections += 1
            self.number, self.up = broker.connections, True
            broker.note("connected", self.number)
            limits = Properties(PacketTypes.CONNACK)  # type: ignore[no-untyped-call]
            if mood.window:
                limits.ReceiveMaximum = mood.window
            self.on_connect(self, None, None, ReasonCode(PacketTypes.CONNACK, identifier=0), limits)

    def _give_up(self) -> None:
        try:
            raise ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused")
        except ConnectionRefusedError:
            self.on_connect_fail(self, None)

    def subscribe(self, topic: str, options: object = None) -> None:
        """As in paho."""
        self.listens = True

    def socket(self) -> None:
        """Asked for only to be shut: no goodbye gets through after that."""
        self._shut = True

    def disconnect(self) -> None:
        """As in paho: what was not yet sent is dropped."""
        if self.up and self._shut and self._will is not None:
            self._publish_will()
        self.up, self.broken = False, True
        if self in self._broker.clients:
            self._broker.clients.remove(self)

    def loop_stop(self) -> None:
        """As in paho after ``disconnect``."""

    def break_off(self, code: int = 0) -> None:
        """The connection breaks."""
        if self.broken or not self.up:
            return
        self.up, self.broken = False, True
        self._broker.clients.remove(self)
        self._broker.counts["broken"] += 1
        self._publish_will()
        flags = SimpleNamespace(is_disconnect_packet_from_server=bool(code))
        reason = ReasonCode(PacketTypes.DISCONNECT, identifier=code or 0x80)
        self.on_disconnect(self, None, flags, reason, None)

    def _publish_will(self) -> None:
        if self._will is not None:
            topic, payload, retain = self._will
            if retain:
                self._broker.retained[topic] = payload

    # --- messages -------------------------------------------------------------------------------

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> SimpleNamespace:
        """As in paho."""
        if not self.up:
            return SimpleNamespace(rc=MQTTErrorCode.MQTT_ERR_NO_CONN, mid=0)
        self._mid = self._mid % 65_535 + 1
        mid, broker = self._mid, self._broker
        delay_s = broker.rng.uniform(*broker.mood.delay_s)
        # One message after the other, as they were sent.
        self._arrives_ns = max(self._arrives_ns, broker.agenda.now_ns + round(delay_s * 1e9))
        broker.agenda.at(self._arrives_ns, lambda: self._carry(mid, topic, payload, retain))
        return SimpleNamespace(rc=MQTTErrorCode.MQTT_ERR_SUCCESS, mid=mid)

    def _carry(self, mid: int, topic: str, payload: bytes, retain: bool) -> None:
        broker, mood, draw = self._broker, self._broker.mood, self._broker.rng.random
        if self.broken or mood.dumb:
            return
        if draw() < mood.lost:
            broker.counts["lost on the way"] += 1
            self.break_off()
            return
        code = broker.take(self, topic, payload, retain)
        if draw() < mood.unheard:
            broker.counts["taken, answer lost"] += 1
            self.break_off()
            return
        delay_s = broker.rng.uniform(*mood.delay_s)
        if draw() < mood.late:
            broker.counts["late answers"] += 1
            delay_s += broker.rng.uniform(1.0, 20.0)
        broker.agenda.after(delay_s, lambda: self._acknowledge(mid, code))

    def _acknowledge(self, mid: int, code: int) -> None:
        if not self.broken and not self._broker.mood.dumb:
            reason = ReasonCode(PacketTypes.PUBACK, identifier=code)
            self.on_publish(self, None, mid, reason, None)

    def hear(self, topic: str, payload: bytes) -> None:
        """A message for us."""
        self.on_message(self, None, SimpleNamespace(topic=topic, payload=payload, retain=False))
