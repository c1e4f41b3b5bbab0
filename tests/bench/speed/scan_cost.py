"""Processor time of a scan: the whole daemon over the bare library reading the same blocks.

The daemon runs as it does on site: all of Osier Bend with the rules that ship, journal on the disk,
a real broker and a real store connected, housekeeping every second. Its three panels are libmodbus
servers. Bare is what one would write first: for each panel a task that reads the same blocks with
the library's own client, looks at ``isError`` and sleeps until the next instant. Both at the same
period, in turns. With a change the libraries alone also do what has to be done with it: commit its
rows by sqlite3 to the disk, publish as many messages by paho, write as many lines by
influxdb-client; so it shows what of the cost is theirs. Time is user and system time of this
process with all its threads; broker, store and panels are others. The wait between scans lets the
caches grow cold, for both.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from pymodbus.client import AsyncModbusTcpClient

from collector.core.scans import PanelScan, Read
from collector.daemon import Daemon
from collector.logs import start_logging
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from collector.settings import (
    JournalSettings,
    LogSettings,
    MqttSettings,
    Settings,
    StoreSettings,
)
from tests.bench.speed import osier_peers
from tests.bench.speed.figures import Figure, Target, cpu_s, in_turns, of, ratios
from tests.real_parts import Server, mosquitto, running, victoria_metrics

SETTLE_S = 3.0  # the first scans carry the first values of all points through journal and outlets


class CountingDaemon(Daemon):
    """The daemon, and how much processor time went by between two of its scans."""

    def __init__(self, folder: Path, text: str, settings: Settings, skip: int, scans: int) -> None:
        path = folder / "plant.yaml"
        path.write_text(text, encoding="utf-8")
        plant_file = read_plant_file(path)
        super().__init__(plant_file, read_rule_files(None, plant_file.plant), settings)
        self.used_s = 0.0
        self._skip, self._left = skip, scans
        self._before_s = 0.0

    def _on_scan(self, scan: PanelScan) -> None:
        super()._on_scan(scan)
        if self._skip:
            self._skip -= 1
            self._before_s = cpu_s()
            return
        self._left -= 1
        if self._left == 0:
            self.used_s = cpu_s() - self._before_s
            self.stop()


RECORDS = (
    3  # that a moved float of the works makes: itself, the fill of its well, its last interval
)
TOPIC = "weirkeeper/bare/now/point/works/collection_start_2"
PAYLOAD = json.dumps({
    "value": True, "unit": "1", "quality": "good", "at": "2026-07-01T00:00:00.000000Z",
    "not_before": "2026-07-01T00:00:00.000000Z", "number": 1, "journal": "652e6d4c9a000",
})  # fmt: skip
LINE = (
    "contact,panel=works,plant=bare,point=p bracket_s=1,number=1,quality=0,value=1 1780000000000000"
)


class BareChange:
    """What the libraries alone do with a change: commit, publish, write.

    Args:
        folder: for the database.
        far: broker and store.
    """

    def __init__(self, folder: Path, far: tuple[Server, Server]) -> None:
        self._rows = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
        self._rows.execute("PRAGMA journal_mode = wal")
        self._rows.execute("PRAGMA synchronous = full")
        self._rows.execute("CREATE TABLE IF NOT EXISTS record (a, b, c, d, e)")
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.connect("127.0.0.1", far[0].port)
        self._client.loop_start()
        self._store = InfluxDBClient(url=f"http://127.0.0.1:{far[1].port}", token="", org="")
        self._writing = self._store.write_api(write_options=SYNCHRONOUS)

    def take(self) -> None:
        """Do all of it once."""
        self._rows.execute("BEGIN")
        self._rows.executemany("INSERT INTO record VALUES (?,?,?,?,?)", [(1, 2, 3, 4, 5)] * RECORDS)
        self._rows.execute("COMMIT")
        for _ in range(RECORDS):
            self._client.publish(TOPIC, PAYLOAD, qos=1, retain=True)
        self._writing.write(bucket="bare", record=[LINE] * RECORDS)

    def close(self) -> None:
        """Let go of all three."""
        self._rows.close()
        self._client.disconnect()
        self._client.loop_stop()
        self._store.close()  # type: ignore[no-untyped-call]


async def bare_loop(
    ports: Mapping[str, int], plans: Mapping[str, tuple[Read, ...]], period_s: float, scans: int,
    change: BareChange | None = None,
) -> float:  # fmt: skip
    """Processor time of the libraries alone for so many scans, s; works scans with a change."""
    calls = (
        "read_coils", "read_discrete_inputs", "read_holding_registers", "read_input_registers",
    )  # fmt: skip
    left, skip, before_s, used_s = scans, len(ports), 0.0, 0.0
    done = asyncio.Event()

    async def panel(name: str) -> None:
        nonlocal left, skip, before_s, used_s
        client = AsyncModbusTcpClient("127.0.0.1", port=ports[name], retries=0, timeout=1)
        await client.connect()
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        try:
            while True:
                for read in plans[name]:
                    ask = getattr(client, calls[read.function - 1])
                    reply = await ask(read.start, count=read.count, device_id=read.unit)
                    assert not reply.isError()
                if change is not None and name == "works":
                    change.take()
                if skip:
                    skip -= 1
                    before_s = cpu_s()
                else:
                    left -= 1
                    if left == 0:
                        used_s = cpu_s() - before_s
                        done.set()
                due_s += period_s
                await asyncio.sleep(max(0.0, due_s - loop.time()))
        finally:
            client.close()

    tasks = [asyncio.create_task(panel(name)) for name in ports]
    ended = asyncio.create_task(done.wait())
    await asyncio.wait({ended, *tasks}, return_when=asyncio.FIRST_COMPLETED)
    for task in tasks:
        if task.done():
            task.result()  # only an error ends it
        task.cancel()
    await asyncio.gather(ended, *tasks, return_exceptions=True)
    return used_s


@contextlib.contextmanager
def far_sides(folder: Path) -> Iterator[tuple[Server, Server]]:
    """A broker and a store."""
    for name in ("broker", "store"):
        (folder / name).mkdir()
    broker, store = mosquitto(folder / "broker"), victoria_metrics(folder / "store")
    with running(broker), running(store):
        yield broker, store


class Case:
    """One way to measure, and its daemons.

    Args:
        folder: for the files.
        far: broker and store.
        period_s: of all panels.
        changed: whether a contact of the works has changed at each of its scans.
        scans: of all panels together.
    """

    def __init__(
        self, folder: Path, far: tuple[Server, Server], period_s: float, changed: bool, scans: int
    ) -> None:
        self._folder, self._far = folder, far
        self._period_s, self._changed, self._scans = period_s, changed, scans
        self._plans = osier_peers.plans(read_plant_file(osier_peers.EXAMPLE).plant)

    def costs(self, rounds: int, *, with_change: bool) -> tuple[list[float], list[float]]:
        """Seconds a scan of the daemon and of the bare loop, in turns.

        Args:
            rounds: how often each.
            with_change: whether the bare loop does something with the changes.
        """
        every = len(self._plans["works"]) if self._changed else 0
        with osier_peers.standing_still(every) as ports:
            return in_turns(
                lambda: self._daemon(ports), lambda: self._bare(ports, with_change), rounds
            )

    def _daemon(self, ports: Mapping[str, int]) -> float:
        own = Path(tempfile.mkdtemp(dir=self._folder))
        broker, store = self._far
        settings = Settings(
            journal=JournalSettings(path=own / "bench.journal"),
            mqtt=MqttSettings(host="127.0.0.1", port=broker.port),
            store=StoreSettings(url=f"http://127.0.0.1:{store.port}"),
            log=LogSettings(level="error"),
        )
        text = osier_peers.plant_file(ports, self._period_s)
        skip = round(SETTLE_S / self._period_s) * len(ports)
        one = CountingDaemon(own, text, settings, skip, self._scans)
        asyncio.run(one.run())
        return one.used_s / self._scans

    def _bare(self, ports: Mapping[str, int], with_change: bool) -> float:
        change = None
        if with_change:
            change = BareChange(Path(tempfile.mkdtemp(dir=self._folder)), self._far)
        looping = bare_loop(ports, self._plans, self._period_s, self._scans, change)
        used_s = asyncio.run(looping) / self._scans
        if change is not None:
            change.close()
        return used_s


def measure(*, quick: bool) -> list[Figure]:
    """Quiet and with one contact changed at each scan of the works."""
    start_logging(LogSettings(level="error"))
    found: list[Figure] = []
    with tempfile.TemporaryDirectory() as name, far_sides(Path(name)) as far:
        periods = [(0.1, 30, 1)] if quick else [(0.1, 150, 3), (1.0, 30, 2)]
        for period_s, scans, rounds in periods:
            for changed, with_change, what, target in (
                (False, False, "quiet", Target("at most", 1.15)),
                (True, False, "one in three with a change", Target("at most", 2.0)),
                (True, True, "the same, libraries doing it all", None),
            ):
                case = Case(Path(name), far, period_s, changed, scans)
                ours, bare = case.costs(rounds, with_change=with_change)
                found.append(
                    of(
                        f"processor time of a scan every {period_s:g} s, {what}",
                        ratios(ours, bare), target=target,
                        detail=f"daemon {1e6 * sorted(ours)[len(ours) // 2]:.0f} us, bare "
                        f"{1e6 * sorted(bare)[len(bare) // 2]:.0f} us",
                    )
                )  # fmt: skip
    return found
