"""Processor time of a scan: the whole daemon over the bare library reading the same blocks.

The daemon runs as it does on site: all of Osier Bend with the rules that ship, journal on the disk,
a real broker and a real store connected, housekeeping every second. Its three panels are libmodbus
servers. Bare is what one would write first: for each panel a task that reads the same blocks with
the library's own client, looks at ``isError`` and sleeps until the next instant. Both at the same
period, in turns. Time is user and system time of this process with all its threads; broker, store
and panels are others. The wait between scans lets the caches grow cold, for both.
"""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

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


async def bare_loop(
    ports: Mapping[str, int], plans: Mapping[str, tuple[Read, ...]], period_s: float, scans: int
) -> float:
    """Processor time of the library alone for so many scans, s."""
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


def cost(
    folder: Path, far: tuple[Server, Server], period_s: float, changed: bool, scans: int,
    rounds: int,
) -> tuple[list[float], list[float]]:  # fmt: skip
    """Seconds a scan of the daemon and of the bare loop.

    Args:
        folder: for the files.
        far: broker and store.
        period_s: of all panels.
        changed: whether a contact of the works has changed at each of its scans.
        scans: of all panels together.
        rounds: how often each.
    """
    plans = osier_peers.plans(read_plant_file(osier_peers.EXAMPLE).plant)
    turns = 0

    def daemon() -> float:
        nonlocal turns
        turns += 1
        own = folder / f"{period_s:g}-{changed}-{turns}"
        own.mkdir()
        settings = Settings(
            journal=JournalSettings(path=own / "bench.journal"),
            mqtt=MqttSettings(host="127.0.0.1", port=far[0].port),
            store=StoreSettings(url=f"http://127.0.0.1:{far[1].port}"),
            log=LogSettings(level="error"),
        )
        text = osier_peers.plant_file(ports, period_s)
        skip = round(SETTLE_S / period_s) * len(ports)
        one = CountingDaemon(own, text, settings, skip, scans)
        asyncio.run(one.run())
        return one.used_s / scans

    with osier_peers.standing_still(len(plans["works"]) if changed else 0) as ports:
        return in_turns(
            daemon, lambda: asyncio.run(bare_loop(ports, plans, period_s, scans)) / scans, rounds
        )


def measure(*, quick: bool) -> list[Figure]:
    """Quiet and with one contact changed at each scan of the works."""
    start_logging(LogSettings(level="error"))
    found: list[Figure] = []
    with tempfile.TemporaryDirectory() as name, far_sides(Path(name)) as far:
        cases = [(0.1, 150, 5), (1.0, 45, 3)]
        if quick:
            cases = [(0.1, 30, 1)]
        for period_s, scans, rounds in cases:
            for changed, bound in ((False, 1.15), (True, 2.0)):
                ours, bare = cost(Path(name), far, period_s, changed, scans, rounds)
                what = "one scan in three with a change" if changed else "quiet"
                found.append(
                    of(
                        f"processor time of a scan every {period_s:g} s, {what}",
                        ratios(ours, bare), target=Target("at most", bound),
                        detail=f"daemon {1e6 * sorted(ours)[len(ours) // 2]:.0f} us, bare library "
                        f"{1e6 * sorted(bare)[len(bare) // 2]:.0f} us",
                    )
                )  # fmt: skip
    return found
