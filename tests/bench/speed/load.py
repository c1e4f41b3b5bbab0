"""Many played collectors in one process: records of a real day, each under a plant name of its own.

Topics, payloads and rows are made by the outlets' own code; of the clients only the wire is played:
a connection each, MQTT 5.0 with QoS 1 and the outlet's window, or HTTP/1.1 with one batch out at a
time. All is made before it is sent, so that sending costs little beside what the far side does.
"""

from __future__ import annotations

import heapq
import selectors
import socket
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from collector.core.catalogue import Catalogue
from collector.core.records import Record
from collector.journal.reader import JournalReader
from collector.outlets.rows import Rows
from collector.outlets.topics import Message, Topics
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from tests.bench.speed.wire import connected, packet, split, text

PLANT_FILE = Path(__file__).parents[3] / "config" / "osier-bend" / "plant.yaml"
DAY_US = 86_400_000_000
SPREAD = 0.618_033_988_75  # of the day, between one plant's place in it and the next one's
BURST = 4  # records of one instant, about
IDLE_S = 0.002
WINDOW, BATCH = 100, 500  # as the settings of the outlets have them
AT = b'"at":"'


@dataclass(frozen=True)
class Day:
    """A plant and what its journal holds of a day, or of a few, in order."""

    plant: Plant
    records: tuple[Record, ...]

    @property
    def a_second(self) -> float:
        """Its mean rate, records/s."""
        return len(self.records) * 1e6 / self.length_us

    @property
    def length_us(self) -> int:
        """Of the whole, in days."""
        return round((self.records[-1].at_us - self.records[0].at_us) / DAY_US) * DAY_US

    def named(self, number: int) -> Plant:
        """The same plant under another name."""
        facts = self.plant.plant.model_copy(update={"name": f"load_{number:05}"})
        return self.plant.model_copy(update={"plant": facts})

    def played(self, number: int, times: float, begin_utc_us: int) -> Iterator[Record]:
        """The day over and over, ``times`` as fast, begun at a place that is this plant's own."""
        first = int(number * SPREAD % 1 * len(self.records))
        # Not all at once: each begins at its own part of the usual time between two bursts.
        idle_us = int(number * SPREAD % 1 * BURST * self.length_us / len(self.records))
        began_us, sequence = self.records[first].at_us - idle_us, 0
        for lap in range(1_000_000):
            for record in self.records[first if lap == 0 else 0 :]:
                sequence += 1
                at_us = begin_utc_us + int((record.at_us + lap * self.length_us - began_us) / times)
                yield replace(
                    record, at_us=at_us, utc_us=at_us, sequence=sequence,
                    after_us=at_us - (record.at_us - record.after_us),
                )  # fmt: skip


def day_of(journal: Path) -> Day:
    """The day in a journal that ``weirkeeper demo --days 1 --keep`` left."""
    with JournalReader(journal) as reader:
        records = tuple(reader.records_between(1, reader.head(), 1_000_000))
    return Day(read_plant_file(PLANT_FILE).plant, records)


@dataclass(frozen=True)
class Order:
    """What a process is to play.

    Args:
        journal: see ``day_of``.
        host, port: of the broker or store.
        collectors: how many.
        times: the real mean rate each; 0 sends as fast as is taken, with stamps of real days.
        most: of each collector, messages or rows; for ``times`` 0 how many there are.
        seconds: how long; for ``times`` 0 the longest.
        states: the newest state of each topic alone, as after every connection.
        single: of rows, write those of one instant at a time and not what has gathered.
        clear: take away what the broker retains, when all is done.
        root: first topic level, and name of the bucket.
    """

    journal: Path
    host: str
    port: int
    collectors: int
    times: float
    most: int
    seconds: float
    states: bool = False
    single: bool = False
    clear: bool = False
    root: str = "weirkeeper_load"


@dataclass
class Sent:
    """What came of it.

    Args:
        offered: messages or rows that were due.
        size: their bytes, topic and payload or line.
        writes: requests, of a store.
        confirmed: acknowledged by the far side.
        refused: answered with an error.
        late_s: how much later it began than the stamps say.
    begun_s, ended_s: monotonic, the first sent and the last confirmed.
        cpu_s: of the process, from begin to end.
        waits_s: from due to confirmed, of each message or batch.
        writes_s: how long each request took.
    """

    offered: int = 0
    size: int = 0
    writes: int = 0
    confirmed: int = 0
    refused: int = 0
    late_s: float = 0.0
    begun_s: float = 0.0
    ended_s: float = 0.0
    cpu_s: float = 0.0
    waits_s: list[float] = field(default_factory=list)
    writes_s: list[float] = field(default_factory=list)


Due = tuple[float, bytes]
"""Seconds after the begin, and the packet or line."""


class Client(Protocol):
    """One connection of a played collector."""

    raw: socket.socket
    due: deque[Due]

    def fill(self, now_s: float) -> bytes:
        """What may go out now."""
        ...

    def hear(self, data: bytes, now_s: float) -> None:
        """What the far side says."""
        ...

    @property
    def done(self) -> bool:
        """Whether all is sent and confirmed."""
        ...

    @property
    def free(self) -> bool:
        """Whether more may go out before the far side has answered."""
        ...


# --- MQTT -----------------------------------------------------------------------------------------


def message_of(topics: Topics, record: Record) -> Message | None:
    """A record as the outlet tells it while it is news."""
    tail = topics.state_tail(record)
    if tail is not None:
        return topics.now(record, tail)
    tail = topics.event_tail(record)
    return None if tail is None else topics.event(record, tail, late=False)


class Publisher:
    """One collector's connection to a broker."""

    def __init__(self, order: Order, day: Day, number: int, sent: Sent, begin_utc_us: int) -> None:
        plant = day.named(number)
        topics = Topics(order.root, plant, Catalogue(plant), f"{number:032x}")
        self.due: deque[Due] = deque()
        self._sent = sent
        self._out: deque[float] = deque()
        self._rest = b""
        self.retained: set[str] = set()
        messages: dict[str, tuple[float, Message]] = {}
        for record in day.played(number, order.times or 1.0, begin_utc_us):
            at_s = (record.at_us - begin_utc_us) / 1e6 if order.times else 0.0
            laps = len(day.records) if order.states else order.most
            if record.sequence > laps or at_s > order.seconds:
                break
            message = message_of(topics, record)
            if message is None or (order.states and not message.retain):
                continue
            key = message.topic if order.states else str(record.sequence)
            messages[key] = (at_s, message)
            if message.retain:
                self.retained.add(message.topic)
        for place, (at_s, message) in enumerate(messages.values()):
            head = text(message.topic) + (place % 65_535 + 1).to_bytes(2) + b"\0"
            self.due.append((at_s, packet(0x32 | message.retain, head + message.payload)))
            sent.size += len(message.topic) + len(message.payload)
        sent.offered += len(messages)
        self._order, self._name = order, f"{order.root}-{plant.plant.name}"
        self._will = topics.presence("lost", begin_utc_us)

    def open(self) -> None:
        """Connect."""
        self.raw = connected(self._order.host, self._order.port, self._name, self._will)

    @property
    def done(self) -> bool:
        return not self.due and not self._out

    @property
    def free(self) -> bool:
        return len(self._out) < WINDOW

    def fill(self, now_s: float) -> bytes:
        going = []
        while self.due and self.due[0][0] <= now_s and len(self._out) < WINDOW:
            at_s, data = self.due.popleft()
            self._out.append(at_s)
            going.append(data)
        return b"".join(going)

    def hear(self, data: bytes, now_s: float) -> None:
        packets, self._rest = split(self._rest + data)
        for first, body in packets:
            if first >> 4 == 4:  # PUBACK, which mosquitto sends in order
                self._sent.waits_s.append(now_s - self._out.popleft())
                self._sent.confirmed += 1
                self._sent.refused += len(body) > 2 and body[2] >= 0x80

    def leave(self, clear: bool) -> None:
        """Say goodbye (MQTT 5.0, 3.14), with what is retained of us taken away before."""
        self.raw.setblocking(True)
        if clear:
            for topic in self.retained:
                self.raw.sendall(packet(0x31, text(topic) + b"\0"))
        self.raw.sendall(packet(0xE0, b"\0\0"))
        self.raw.close()


@dataclass
class Heard:
    """What a subscriber heard: how much, when, and the instants that the messages name."""

    messages: int = 0
    size: int = 0
    ended_s: float = 0.0
    cpu_s: float = 0.0
    arrived: list[tuple[float, bytes]] = field(default_factory=list)


class Subscriber:
    """A client that hears of all the played plants, with QoS 1 as a careful one would."""

    def __init__(self, order: Order) -> None:
        self._raw = connected(order.host, order.port, f"{order.root}-subscriber", None)
        body = b"\0\1\0" + text(f"{order.root}/#") + b"\x21"  # QoS 1, nothing retained
        self._raw.sendall(packet(0x82, body))
        if self._raw.recv(100)[:1] != b"\x90":
            raise OSError("the broker does not let us listen")
        self._raw.settimeout(0.05)
        self.heard = Heard()
        self._rest = b""

    def listen(self) -> None:
        """Take and acknowledge what has come, waiting a moment for it."""
        try:
            data = self._raw.recv(1 << 18)
        except TimeoutError:
            return
        now_s, heard, receipts = time.time(), self.heard, []
        if not data:
            raise OSError("the broker has cut the subscriber off")
        packets, self._rest = split(self._rest + data)
        for first, body in packets:
            if first >> 4 != 3:
                continue
            size = int.from_bytes(body[:2])
            receipts.append(b"\x40\x02" + body[2 + size : 4 + size])
            place = body.rfind(AT) + len(AT)
            heard.arrived.append((now_s, body[place : place + 27]))
            heard.messages += 1
            heard.size += len(body) - 3
        heard.ended_s = time.monotonic()
        self._raw.sendall(b"".join(receipts))

    def leave(self) -> None:
        """Say goodbye."""
        self._raw.sendall(packet(0xE0, b"\0\0"))
        self._raw.close()


# --- the store ------------------------------------------------------------------------------------


class StoreWriter:
    """One collector's connection to a store."""

    def __init__(self, order: Order, day: Day, number: int, sent: Sent, begin_utc_us: int) -> None:
        plant = day.named(number)
        rows = Rows(plant, Catalogue(plant))
        self.due: deque[Due] = deque()
        self._sent, self._single = sent, order.single
        self._out: list[float] = []
        self._out_s = 0.0
        self._rest = b""
        instants: list[int] = []
        for record in day.played(number, order.times or 1.0, begin_utc_us):
            at_s = (record.at_us - begin_utc_us) / 1e6 if order.times else 0.0
            if record.sequence > order.most or at_s > order.seconds:
                break
            line = rows.line(record)
            if line is not None:
                self.due.append((at_s, line.encode() + b"\n"))
                instants.append(record.at_us)
                sent.size += len(line) + 1
        self._instants = deque(instants)
        sent.offered += len(self.due)
        path = f"/api/v2/write?org=-&bucket={order.root}&precision=us"
        self._head = f"POST {path} HTTP/1.1\r\nHost: {order.host}\r\nContent-Length: ".encode()
        self._address = (order.host, order.port)

    def open(self) -> None:
        """Connect; a store does not wait long for the first request."""
        self.raw = socket.create_connection(self._address, 10)
        self.raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    @property
    def done(self) -> bool:
        return not self.due and not self._out

    @property
    def free(self) -> bool:
        return not self._out

    def fill(self, now_s: float) -> bytes:
        lines: list[bytes] = []
        if self._out:
            return b""
        while self.due and self.due[0][0] <= now_s and len(lines) < BATCH:
            at_s, line = self.due.popleft()
            instant = self._instants.popleft()
            self._out.append(at_s)
            lines.append(line)
            if self._single and self._instants and self._instants[0] != instant:
                break
        if not lines:
            return b""
        body = b"".join(lines)
        self._out_s = now_s
        self._sent.writes += 1
        return self._head + str(len(body)).encode() + b"\r\n\r\n" + body

    def hear(self, data: bytes, now_s: float) -> None:
        self._rest += data
        if b"\r\n\r\n" not in self._rest:
            return
        good = self._rest.startswith(b"HTTP/1.1 204")  # a body follows only a refusal
        self._sent.writes_s.append(now_s - self._out_s)
        self._sent.waits_s += [now_s - at_s for at_s in self._out]
        self._sent.confirmed += len(self._out) * good
        self._sent.refused += len(self._out) * (not good)
        self._rest, self._out = b"", []

    def leave(self, clear: bool) -> None:
        """Close it."""
        self.raw.close()


# --- playing --------------------------------------------------------------------------------------


def play(clients: Sequence[Client], sent: Sent, limit_s: float) -> None:
    """Send what is due when it is due, and hear the answers, until all is confirmed or time is up.

    Args:
        clients: all of them.
        sent: takes the result.
        limit_s: from now.
    """
    watching = selectors.DefaultSelector()
    behind: dict[Client, bytes] = {}
    for client in clients:
        client.raw.setblocking(False)
        watching.register(client.raw, selectors.EVENT_READ, client)
    began_s, cpu_s = time.monotonic(), time.process_time()
    waiting = [(client.due[0][0], place) for place, client in enumerate(clients) if client.due]
    heapq.heapify(waiting)
    places = {id(client): place for place, client in enumerate(clients)}
    blocked: set[int] = set()  # places of clients that wait for an answer and have more
    open_clients = sum(not client.done for client in clients)

    def push(place: int, now_s: float) -> None:
        client = clients[place]
        data = behind.pop(client, b"") + client.fill(now_s)
        if data:
            try:
                count = client.raw.send(data)
            except BlockingIOError:
                count = 0
            if count < len(data):
                behind[client] = data[count:]
        if client in behind or (client.due and not client.free):
            blocked.add(place)
        elif client.due:
            heapq.heappush(waiting, (client.due[0][0], place))

    while open_clients and (now_s := time.monotonic() - began_s) < limit_s:
        while waiting and waiting[0][0] <= now_s:
            push(heapq.heappop(waiting)[1], now_s)
        pause_s = min(IDLE_S, max(0.0, waiting[0][0] - now_s)) if waiting else IDLE_S
        for key, _ in watching.select(pause_s):
            client = key.data
            data = client.raw.recv(1 << 16)
            if not data:
                raise OSError("the far side has cut a played collector off")
            now_s = time.monotonic() - began_s
            client.hear(data, now_s)
            place = places[id(client)]
            if place in blocked:
                blocked.discard(place)
                push(place, now_s)
            if client.done:
                open_clients -= 1
        for client in list(behind):  # the far side did not take all; it may now
            blocked.discard(places[id(client)])
            push(places[id(client)], now_s)
    sent.begun_s, sent.ended_s = began_s, time.monotonic()
    sent.cpu_s = time.process_time() - cpu_s
    watching.close()
