"""What the page costs: requests a second beside polling, time from contact to page, sizes.

    .venv/bin/python -m tests.bench.page_load [SECONDS]

The daemon runs as a process of its own against the three simulated panels of Osier Bend, whose
works are scanned ten times a second here, ten times as often as they would be. For each number of
clients, each asks for the health page over connections of its own without a pause; before and after
the metrics tell scans and overruns. Client, simulator and daemon share this machine's processors.
The simulated plant stands still but for one contact that moves five times a second, so that there
is something to journal and to show.
"""

from __future__ import annotations

import asyncio
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from simulator.plant import OsierBend
from simulator.server import serve
from tests.bench.speed import osier_peers
from tests.page_client import Browser
from tests.real_parts import Server, free_port, running

CLIENTS = (0, 1, 4, 16, 64)
CHANGES = 20
CONTACT = "collection_start_2"
SHOWN = re.compile(r"start-2 at [0-9.]+ m (not )?made")
START_US = 1_780_000_000_000_000


def _write_files(folder: Path, ports: Mapping[str, int], broker_port: int) -> None:
    """Plant and settings file of the measured daemon; the works are scanned ten times a second."""
    text = osier_peers.EXAMPLE.read_text(encoding="utf-8")
    for panel, written in osier_peers.PORTS.items():
        text = text.replace(written, str(ports[panel]))
    text = text.replace("scan_period_s: 1.0", "scan_period_s: 0.1", 1)
    (folder / "plant.yaml").write_text(text, encoding="utf-8")
    (folder / "settings.yaml").write_text(
        f"journal: {{path: {folder}/bench.journal}}\n"
        f"mqtt: {{host: 127.0.0.1, port: {broker_port}}}\n"
        "log: {level: error}\n",
        encoding="utf-8",
    )


async def figures(browser: Browser) -> tuple[float, float, float]:
    """Scans of the works, overruns of all panels, megabytes of memory."""
    text = (await browser.ask("/metrics")).text
    scans = overruns = memory = 0.0
    for family in text_string_to_metric_families(text):  # type: ignore[no-untyped-call]
        for sample in family.samples:
            if sample.name == "weirkeeper_scans_total" and sample.labels["panel"] == "works":
                scans += sample.value
            elif sample.name == "weirkeeper_scan_overruns_total":
                overruns += sample.value
            elif sample.name == "weirkeeper_memory_bytes":
                memory = sample.value / 1e6
    return scans, overruns, memory


async def load(browser: Browser, clients: int, seconds: float) -> str:
    """One line about so many clients."""
    waits: list[float] = []
    scans, overruns, _ = await figures(browser)
    began = time.monotonic()

    async def ask() -> None:
        while time.monotonic() - began < seconds:
            asked = time.monotonic()
            if (await browser.ask("/")).status == 200:
                waits.append(time.monotonic() - asked)

    if clients:
        await asyncio.gather(*(ask() for _ in range(clients)))
    else:
        await asyncio.sleep(seconds)
    await asyncio.sleep(0.6)  # metrics are kept for half a second
    later, more, memory = await figures(browser)
    took = time.monotonic() - began
    median_ms = 1e3 * statistics.median(waits) if waits else 0.0
    return (
        f"{clients:3} clients: {len(waits) / seconds:7.0f} pages/s, median {median_ms:6.1f} ms; "
        f"{(later - scans) / took:5.2f} scans/s of 10, {more - overruns:3.0f} overruns; "
        f"{memory:.0f} MB"
    )


async def move(plant: OsierBend) -> None:
    """Move a contact to and fro."""
    for turn in range(10_000):
        plant.panels["works"].set_contact(CONTACT, made=turn % 2 == 0)
        await asyncio.sleep(0.2)


async def latencies(browser: Browser, plant: OsierBend) -> list[float]:
    """Seconds from a contact that moved to the event at a listener, the scan included."""
    found = []
    panel = plant.panels["works"]
    made = False
    async with browser.looking_on() as events:
        await anext(events)
        for _ in range(CHANGES):
            await asyncio.sleep(0.7)  # beyond the half second between two renderings
            made = not made
            moved = time.monotonic()
            panel.set_contact(CONTACT, made=made)
            async for name, told in events:
                shown = SHOWN.search(str(told)) if name == "sections" else None
                if shown is not None and (shown[1] is None) is made:
                    found.append(time.monotonic() - moved)
                    break
    return found


async def main(seconds: float) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plant = OsierBend(1, START_US)
        port = free_port()
        async with serve(plant, dict.fromkeys(plant.panels, 0), speed=0.0) as up:
            _write_files(folder, up.ports, free_port())
            (folder / "settings.yaml").write_text(
                f"journal: {{path: {folder}/bench.journal}}\npage: {{port: {port}}}\n"
                "log: {level: error}\n",
                encoding="utf-8",
            )
            command = [
                sys.executable, "-m", "collector", "run",
                "--plant", str(folder / "plant.yaml"), "--settings", str(folder / "settings.yaml"),
            ]  # fmt: skip
            with running(Server(command, port, folder / "log")):
                browser = Browser(port)
                await asyncio.sleep(3.0)
                page = await browser.ask("/")
                files = [await browser.ask(f"/static/page.{kind}") for kind in ("css", "js")]
                print(f"page {len(page.body)} bytes, its style and script "
                      f"{sum(len(file.body) for file in files)}, "
                      f"metrics {len((await browser.ask('/metrics')).body)}")  # fmt: skip
                waits = sorted(await latencies(browser, plant))
                print(f"contact to event: median {1e3 * statistics.median(waits):.0f} ms, "
                      f"worst {1e3 * waits[-1]:.0f} ms of {len(waits)}, "
                      "of which a scan is 0 to 100 ms")  # fmt: skip
                moving = asyncio.create_task(move(plant))
                for clients in CLIENTS:
                    print(await load(browser, clients, seconds), flush=True)
                moving.cancel()


if __name__ == "__main__":
    asyncio.run(main(float(sys.argv[1]) if sys.argv[1:] else 5.0))
