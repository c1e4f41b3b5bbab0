"""Working off an outage of seven days, over the bare client with the same payloads.

A journal of seven virtual days waits with cursors at nought. Ours: the outlet reads it, makes
messages or rows, sends them and moves its cursor, while a live change is committed every quarter of
a second; a subscriber notes how late each of these is. Bare: paho publishes the same messages,
ready made, at the same quality of service with the same window; influxdb-client writes the same
rows in the same batches, once as ready lines and once as the library's own points, which it has to
turn into lines as ours has to.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point
from influxdb_client.client.write_api import SYNCHRONOUS
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.clock import SystemClock
from collector.core.catalogue import Catalogue
from collector.core.records import Record, RecordKind
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.outlets.mqtt import MqttOutlet
from collector.outlets.rows import Rows
from collector.outlets.store import StoreOutlet
from collector.outlets.topics import Message, Topics
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from collector.settings import MqttSettings, StoreSettings
from tests.bench.speed.demo_journal import virtual_days
from tests.bench.speed.figures import Figure, Target, cpu_s, in_turns, of, ratios
from tests.bench.speed.osier_peers import EXAMPLE
from tests.real_parts import mosquitto, running, victoria_metrics

LIVE_PERIOD_S = 0.25
LIVE_POINT = "works.collection_start_2"
WINDOW = MqttSettings(host="x").window
BATCH = StoreSettings(url="http://x").batch


class Backlog:
    """A journal with everything still to deliver.

    Args:
        path: a copy of it for this run.
        plant: what it is of.
    """

    def __init__(self, path: Path, plant: Plant) -> None:
        self.plant = plant
        self.catalogue = Catalogue(plant)
        with JournalReader(path) as reader:
            start_us = reader.records_after(reader.head() - 1, 1)[0].at_us + 1
        self.clock = SystemClock(start_us)
        self.journal = Journal.open(path, wall_us=self.clock.wall_us)
        self.reader = JournalReader(path)
        self.count = self.reader.head()
        self.late_s: list[float] = []

    async def deliver(self, outlet: MqttOutlet | StoreOutlet, *, live: bool) -> float:
        """Records a second until the last of the backlog is delivered."""
        loop = asyncio.get_running_loop()

        def on_commit(head: int, _: Sequence[Record]) -> None:
            loop.call_soon_threadsafe(outlet.notify, head)

        self.journal.on_commit = on_commit
        running_outlet = asyncio.create_task(outlet.run())
        began_s, before_s = time.perf_counter(), cpu_s()
        due_s, made = began_s + LIVE_PERIOD_S, False
        while outlet.status().delivered < self.count:
            await asyncio.sleep(0.01)
            if live and time.perf_counter() >= due_s:
                made, due_s = not made, due_s + LIVE_PERIOD_S
                at_us, utc_us = self.clock.now_us(), self.clock.wall_us()
                self.journal.submit(
                    [Record(RecordKind.POINT, LIVE_POINT, at_us, utc_us, at_us, made)]
                )
        took_s = time.perf_counter() - began_s
        self.used_s = cpu_s() - before_s
        await outlet.stop()
        await running_outlet
        return self.count / took_s

    def close(self) -> None:
        """Let the journal go."""
        self.journal.on_commit = None
        self.journal.close()
        self.reader.close()


class Bench:
    """Both far sides, and the journal they are to get.

    Args:
        folder: for the files.
        days: how long the outage was.
    """

    def __init__(self, folder: Path, days: float) -> None:
        self.folder = folder
        self.plant = read_plant_file(EXAMPLE).plant
        self.source = virtual_days(folder / "source.journal", days)
        catalogue = Catalogue(self.plant)
        with JournalReader(self.source) as reader:
            records = reader.records_after(0, 1_000_000)
            topics = Topics("bare", self.plant, catalogue, reader.journal_id)
        made = [_late(topics, record) for record in records]
        self.messages = [message for message in made if message is not None]
        rows = Rows(self.plant, catalogue)
        self.lines = [line for line in map(rows.line, records) if line]
        self.points = [_point(line) for line in self.lines]
        self.count = len(records)
        self.turn = 0
        self.late_s: list[float] = []

    @contextlib.contextmanager
    def backlog(self) -> Iterator[Backlog]:
        """A fresh copy of the journal."""
        self.turn += 1
        path = self.folder / f"{self.turn}.journal"
        shutil.copyfile(self.source, path)
        found = Backlog(path, self.plant)
        try:
            yield found
        finally:
            found.close()

    # --- MQTT -----------------------------------------------------------------------------------

    def mqtt(self, port: int) -> float:
        """Records a second of our outlet, live changes beside."""
        with self.backlog() as backlog, _subscriber(port, self.count, self.late_s):
            settings = MqttSettings(host="127.0.0.1", port=port)
            outlet = MqttOutlet(
                settings, backlog.plant, backlog.catalogue, backlog.journal, backlog.reader,
                backlog.clock,
            )  # fmt: skip
            return asyncio.run(backlog.deliver(outlet, live=True))

    def bare_mqtt(self, port: int) -> float:
        """Records a second of paho, all messages handed over at once."""
        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        client.max_inflight_messages_set(WINDOW)
        client.max_queued_messages_set(0)
        left, done = len(self.messages), threading.Event()

        def on_publish(*_: Any) -> None:
            nonlocal left
            left -= 1
            if not left:
                done.set()

        client.on_publish = on_publish
        client.connect("127.0.0.1", port)
        client.loop_start()
        began_s = time.perf_counter()
        for message in self.messages:
            client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        assert done.wait(300)
        took_s = time.perf_counter() - began_s
        client.disconnect()
        client.loop_stop()
        return len(self.messages) / took_s

    # --- store ----------------------------------------------------------------------------------

    def store(self, url: str) -> float:
        """Records a second of our outlet, live changes beside."""
        with self.backlog() as backlog:
            outlet = StoreOutlet(
                StoreSettings(url=url), backlog.plant, backlog.catalogue, backlog.journal,
                backlog.reader, backlog.clock,
            )  # fmt: skip
            return asyncio.run(backlog.deliver(outlet, live=True))

    def bare_store(self, url: str, what: list[Any]) -> float:
        """Records a second of influxdb-client, in the same batches."""
        with InfluxDBClient(url=url, token="", org="") as client:
            writing = client.write_api(write_options=SYNCHRONOUS)
            began_s = time.perf_counter()
            for at in range(0, len(what), BATCH):
                writing.write(bucket="bare", record=what[at : at + BATCH], write_precision="us")
            return len(what) / (time.perf_counter() - began_s)


def _late(topics: Topics, record: Record) -> Message | None:
    """The message of a record behind an outage."""
    tail = topics.state_tail(record)
    if tail is not None:
        return topics.late_state(record, tail)
    tail = topics.event_tail(record)
    return None if tail is None else topics.event(record, tail, late=True)


def _point(line: str) -> Point:
    """A line as a point of the library; tags and fields have no blanks or commas here."""
    names, fields, stamp = line.replace("\\ ", "_").split(" ")
    measurement, *tags = names.split(",")
    point: Any = Point(measurement)  # type: ignore[no-untyped-call]
    for tag in tags:
        point.tag(*tag.split("=", 1))
    for field in fields.split(","):
        name, value = field.split("=", 1)
        point.field(name, float(value))
    point.time(int(stamp), "us")
    return point  # type: ignore[no-any-return]


@contextlib.contextmanager
def _subscriber(port: int, after: int, late_s: list[float]) -> Iterator[None]:
    """Notes how late live changes are: what is numbered behind the backlog."""

    def on_message(_client: Client, _data: Any, message: MQTTMessage) -> None:
        now_s = time.time()
        told = json.loads(message.payload)
        if told["number"] > after and not message.retain:
            late_s.append(now_s - datetime.fromisoformat(told["at"]).timestamp())

    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.subscribe(f"weirkeeper/+/now/point/{LIVE_POINT.replace('.', '/')}", qos=1)
    client.loop_start()
    time.sleep(0.2)
    try:
        yield
    finally:
        client.disconnect()
        client.loop_stop()


def measure(*, quick: bool) -> list[Figure]:
    """Both outlets, and how late live data was meanwhile."""
    found: list[Figure] = []
    rounds = 1 if quick else 5
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bench = Bench(folder, 1 if quick else 7)
        for far in ("broker", "store"):
            (folder / far).mkdir()
        broker, store = mosquitto(folder / "broker"), victoria_metrics(folder / "store")
        with running(broker), running(store):
            url = f"http://127.0.0.1:{store.port}"
            cases = {
                "MQTT: over paho": (
                    functools.partial(bench.mqtt, broker.port),
                    functools.partial(bench.bare_mqtt, broker.port),
                ),
                "store: over influxdb-client with its points": (
                    functools.partial(bench.store, url),
                    functools.partial(bench.bare_store, url, bench.points),
                ),
                "store: over influxdb-client with ready lines": (
                    functools.partial(bench.store, url),
                    functools.partial(bench.bare_store, url, bench.lines),
                ),
            }
            for what, pair in cases.items():
                ours, bare = in_turns(*pair, rounds)
                found.append(
                    of(f"catch-up, {what}", ratios(ours, bare), target=Target("at least", 0.8),
                       detail=f"{sorted(ours)[len(ours) // 2]:.0f} records a second, bare "
                       f"{sorted(bare)[len(bare) // 2]:.0f}")
                )  # fmt: skip
    late = sorted(1000 * each for each in bench.late_s)
    found.append(
        Figure("live change behind a backlog: latest", late[-1], late[0], late[-1], "ms",
               Target("at most", 1000),
               f"{len(late)} of them, median {late[len(late) // 2]:.0f} ms")
    )  # fmt: skip
    return found
