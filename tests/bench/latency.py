"""From a contact that moved to the message at an MQTT subscriber, beyond the scan.

    .venv/bin/python -m tests.bench.latency [CHANGES]

The daemon runs as a process of its own against the simulated panels and a real broker; a subscriber
in this process notes when each message arrives. The message says when the reply that showed the
change was complete (``at``); what is measured is from there to the subscriber, on one machine's
clock: pipeline, commit, publication, broker, network thread of the subscriber. The simulated plant
stands still but for the contact, so its panel counts as frozen after 45 s: at most 180 changes.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from simulator.plant import OsierBend
from simulator.server import serve
from tests.real_parts import mosquitto, running, until

EXAMPLE = Path("config/osier-bend/plant.yaml")
CONTACT = "collection_start_2"
START_US = 1_780_000_000_000_000


def write_files(folder: Path, ports: Mapping[str, int], broker_port: int) -> None:
    """Plant and settings file of the measured daemon; the works are scanned ten times a second."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for written, panel in {"15020": "works", "15021": "meadow", "15022": "bowser"}.items():
        text = text.replace(written, str(ports[panel]))
    text = text.replace("scan_period_s: 1.0", "scan_period_s: 0.1", 1)
    (folder / "plant.yaml").write_text(text, encoding="utf-8")
    (folder / "settings.yaml").write_text(
        f"journal: {{path: {folder}/bench.journal}}\n"
        f"mqtt: {{host: 127.0.0.1, port: {broker_port}}}\n"
        "log: {level: error}\n",
        encoding="utf-8",
    )


async def measure(folder: Path, broker_port: int, changes: int) -> list[float]:
    """Latencies in seconds, one for each change seen."""
    plant = OsierBend(1, START_US)
    heard: list[float] = []

    def on_message(_client: Client, _data: Any, message: MQTTMessage) -> None:
        now_s = time.time()
        at_s = datetime.fromisoformat(json.loads(message.payload)["at"]).timestamp()
        heard.append(now_s - at_s)

    subscriber = Client(CallbackAPIVersion.VERSION2)
    subscriber.on_message = on_message
    subscriber.connect("127.0.0.1", broker_port)
    subscriber.subscribe(f"weirkeeper/osier_bend/+/point/works/{CONTACT}", qos=1)
    subscriber.loop_start()
    async with serve(plant, dict.fromkeys(plant.panels, 0), speed=0.0) as up:
        write_files(folder, up.ports, broker_port)
        daemon = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "collector", "run",
            "--plant", str(folder / "plant.yaml"), "--settings", str(folder / "settings.yaml"),
        )  # fmt: skip
        try:
            await until(lambda: bool(heard), "the first message")
            await asyncio.sleep(2.0)
            heard.clear()
            for turn in range(changes):
                plant.panels["works"].set_contact(CONTACT, made=turn % 2 == 0)
                await asyncio.sleep(0.237)
            await asyncio.sleep(0.5)
        finally:
            daemon.terminate()
            await daemon.wait()
    subscriber.disconnect()
    subscriber.loop_stop()
    return heard


def main() -> None:
    """Measure and print median and 99th percentile."""
    changes = int(sys.argv[1]) if len(sys.argv) > 1 else 150
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = mosquitto(folder / "broker")
        with running(broker):
            found = sorted(asyncio.run(measure(folder, broker.port, changes)))
    print(
        f"{len(found)} changes of {changes}: median {1000 * statistics.median(found):.1f} ms, "
        f"99th percentile {1000 * found[int(0.99 * (len(found) - 1))]:.1f} ms, "
        f"largest {1000 * found[-1]:.1f} ms"
    )


if __name__ == "__main__":
    main()
