"""CPU time of a quiet scan through the whole daemon over that of a bare loop on the library.

    .venv/bin/python -m tests.bench.pipeline_cost [SCANS]

The daemon runs as it does on site: journal on the disk, a real broker and a real store connected,
housekeeping every second. Nothing changes in the panel (a libmodbus server on the loopback). The
bare loop reads the same block with the library's own client at the same period. CPU time is user
and system time of this process, all threads (getrusage); broker, store and panel do not count.
"""

from __future__ import annotations

import asyncio
import gc
import statistics
import sys
import tempfile
from pathlib import Path

from collector.core.scans import PanelScan
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
from tests.bench import link_cost
from tests.contract.libmodbus_peer import tcp_peer
from tests.real_parts import mosquitto, running, victoria_metrics

PERIOD_S = 0.1
ROUNDS = 5
REGISTERS = link_cost.REGISTERS

PLANT = """
plant: {{name: bench, title: Bench, time_zone: Europe/London}}
links: {{lan: {{kind: tcp, host: 127.0.0.1, port: {port}}}}}
panels:
  works:
    link: lan
    scan_period_s: {period}
    points:
{points}
"""


class CountingDaemon(Daemon):
    """The daemon, and how much CPU time went by between two of its scans."""

    def __init__(self, folder: Path, port: int, mqtt: int, store: int, scans: int) -> None:
        points = "\n".join(
            f"      p{address}: {{table: holding-register, address: {address}}}"
            for address in range(REGISTERS)
        )
        path = folder / "plant.yaml"
        path.write_text(PLANT.format(port=port, period=PERIOD_S, points=points), encoding="utf-8")
        settings = Settings(
            journal=JournalSettings(path=folder / "bench.journal"),
            mqtt=MqttSettings(host="127.0.0.1", port=mqtt),
            store=StoreSettings(url=f"http://127.0.0.1:{store}"),
            log=LogSettings(level="error"),
        )
        plant_file = read_plant_file(path)
        super().__init__(plant_file, read_rule_files(None, plant_file.plant), settings)
        self.used_s = 0.0
        # The first scans carry the first values of all points through journal and outlets.
        self._skip = round(3.0 / PERIOD_S)
        self._left = scans
        self._before_s = 0.0

    def _on_scan(self, scan: PanelScan) -> None:
        super()._on_scan(scan)
        if self._skip:
            self._skip -= 1
            self._before_s = link_cost.cpu_s()
            return
        self._left -= 1
        if self._left == 0:
            self.used_s = link_cost.cpu_s() - self._before_s
            self.stop()


def main() -> None:
    """Measure in turns and print medians and their ratio."""
    scans = int(sys.argv[1]) if len(sys.argv) > 1 else 150
    start_logging(LogSettings(level="error"))
    link_cost.PERIOD_S = PERIOD_S
    bare: list[float] = []
    ours: list[float] = []
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        for name in ("broker", "store", *(f"run{turn}" for turn in range(ROUNDS + 1))):
            (folder / name).mkdir()
        contents = {(3, address): address for address in range(REGISTERS)}
        broker = mosquitto(folder / "broker")
        store = victoria_metrics(folder / "store")
        with running(broker), running(store), tcp_peer(contents) as port:
            for turn in range(ROUNDS + 1):
                gc.collect()
                bare_s = asyncio.run(link_cost.bare_loop(port, scans))
                gc.collect()
                daemon = CountingDaemon(folder / f"run{turn}", port, broker.port, store.port, scans)
                asyncio.run(daemon.run())
                if turn:  # the first warms up
                    bare.append(bare_s)
                    ours.append(daemon.used_s / scans)
    ratios = [our / one for our, one in zip(ours, bare, strict=True)]
    print(
        f"a quiet scan of {REGISTERS} registers every {PERIOD_S:g} s: "
        f"bare library {1e6 * statistics.median(bare):.0f} us, "
        f"whole daemon {1e6 * statistics.median(ours):.0f} us, "
        f"ratio {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
    )


if __name__ == "__main__":
    main()
