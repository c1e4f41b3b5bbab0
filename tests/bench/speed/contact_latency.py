"""From a contact that moved to the message at an MQTT subscriber, beyond the scan.

The daemon watches so many panels (``many_panels``) and publishes to a real broker; the contact of
some of them changes at each scan. A message says when the reply that showed the change was complete
(``at``); what is measured is from there to the subscriber, on one machine's clock: pipeline, commit
on the disk, publication, broker, network thread of the subscriber. All panels are read at the same
instant, so that with many of them a change also waits for the others' replies.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.speed.figures import Figure
from tests.bench.speed.many_panels import REGISTERS, SETTLE_S, peers, plant_text
from tests.contract.libmodbus_peer import tcp_peer
from tests.real_parts import mosquitto, running

CHANGING = 10
READS = 2  # of a scan


def latencies_s(count: int, seconds: float) -> list[float]:
    """What subscribers waited for each change, sorted."""
    changing = min(count, CHANGING)
    period_s = 0.1 if count == 1 else 1.0
    contents = {(4, address): address for address in range(REGISTERS)}
    heard: list[tuple[float, float]] = []

    def on_message(_client: Client, _data: Any, message: MQTTMessage) -> None:
        now_s = time.time()
        told = json.loads(message.payload)
        heard.append((now_s, now_s - datetime.fromisoformat(told["at"]).timestamp()))

    with contextlib.ExitStack() as up:
        folder = Path(up.enter_context(tempfile.TemporaryDirectory()))
        (folder / "broker").mkdir()
        broker = mosquitto(folder / "broker")
        up.enter_context(running(broker))
        ports = [
            up.enter_context(tcp_peer(contents, flip=(15, READS))) for _ in range(changing)
        ]  # fmt: skip
        ports += up.enter_context(peers(count - changing)) if count > changing else []
        (folder / "plant.yaml").write_text(plant_text(ports, period_s), encoding="utf-8")
        settings = {"mqtt": {"host": "127.0.0.1", "port": broker.port}}
        (folder / "settings.json").write_text(json.dumps(settings), encoding="utf-8")
        subscriber = Client(CallbackAPIVersion.VERSION2)
        subscriber.on_message = on_message
        subscriber.connect("127.0.0.1", broker.port)
        subscriber.subscribe("weirkeeper/many/now/point/+/c15", qos=1)
        subscriber.loop_start()
        command = [
            sys.executable, "-m", "tests.bench.speed.many_panels", "daemon", str(folder),
            f"{seconds:g}", f"{period_s:g}",
        ]  # fmt: skip
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        subscriber.disconnect()
        subscriber.loop_stop()
    begun_s = heard[0][0] + SETTLE_S  # the first values of all points go before
    return sorted(took_s for at_s, took_s in heard if at_s > begun_s)


def measure(*, quick: bool) -> list[Figure]:
    """Median and 99th percentile at 1, 100 and 1 000 panels."""
    found: list[Figure] = []
    for count in (1, 10) if quick else (1, 100, 1000):
        took = latencies_s(count, 4.0 if quick else 30.0)
        median, late = (1000 * took[int(share * (len(took) - 1))] for share in (0.5, 0.99))
        largest = 1000 * took[-1]
        note = f"{len(took)} changes, largest {largest:.1f} ms"
        found += [
            Figure(f"contact to subscriber, {count} panels: median", median, median, median, "ms",
                   None, note),
            Figure(f"contact to subscriber, {count} panels: 99th percentile", late, late, late,
                   "ms"),
        ]  # fmt: skip
    return found
