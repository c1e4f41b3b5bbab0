"""From the start of the process to the first good scan, and what the process weighs.

The command as it is installed, with Osier Bend's panels as libmodbus servers, first with no
journal, then with ten years of one (a virtual month laid end to end). A good scan is one whose
points are committed; the time is that at which another connection sees them in the journal.
"""

from __future__ import annotations

import functools
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

from collector.journal.reader import JournalReader
from tests.bench.speed import osier_peers
from tests.bench.speed.demo_journal import DAY_US, laid_end_to_end, virtual_days
from tests.bench.speed.figures import Figure, Target, in_turns, of, ratios

WITHIN_S = 60.0


def resident_mib(pid: int) -> float:
    """What a process holds in memory."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


class Starts:
    """Starts the daemon and waits for its first scan.

    Args:
        folder: for the files.
        ports: of the panels.
    """

    def __init__(self, folder: Path, ports: Mapping[str, int]) -> None:
        self._folder = folder
        self.mib: list[float] = []
        (folder / "plant.yaml").write_text(osier_peers.plant_file(ports, 1.0), encoding="utf-8")

    def first_scan_s(self, kept: Path | None) -> float:
        """Seconds to the first good scan of all panels.

        Args:
            kept: a journal to begin with, or None.
        """
        run = Path(tempfile.mkdtemp(dir=self._folder))
        path, settings = run / "weirkeeper.journal", run / "settings.yaml"
        before = 0
        if kept is not None:
            shutil.copyfile(kept, path)
            with JournalReader(path) as reader:
                before = reader.head()
        settings.write_text(f"journal: {{path: {path}}}\nlog: {{level: error}}\n", encoding="utf-8")
        command = [
            sys.executable, "-m", "collector", "run", "--plant",
            str(self._folder / "plant.yaml"), "--settings", str(settings),
        ]  # fmt: skip
        began_s = time.perf_counter()
        process = subprocess.Popen(command)
        try:
            while not self._scanned(path, before):
                assert time.perf_counter() - began_s < WITHIN_S
                time.sleep(0.002)
            took_s = time.perf_counter() - began_s
            self.mib.append(resident_mib(process.pid))
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(30)
            shutil.rmtree(run)
        return took_s

    def _scanned(self, path: Path, before: int) -> bool:
        """Whether every panel has answered since."""
        try:
            reader = JournalReader(path)
        except Exception:  # there is none yet, or it is being made
            return False
        with reader:
            alive = reader.alive()
            return (
                reader.head() > before
                and alive is not None
                and len(alive.panels) == len(osier_peers.PORTS)
            )


def measure(*, quick: bool) -> list[Figure]:
    """Empty and after ten years, in turns."""
    with tempfile.TemporaryDirectory() as name, osier_peers.standing_still() as ports:
        folder = Path(name)
        days = 2 if quick else 30
        begin_us = time.time_ns() // 1000 - days * DAY_US
        virtual_days(folder / "warm.journal", 1)
        before_mib = resident_mib(os.getpid())
        source = virtual_days(folder / "month.journal", days, begin_us)
        month_mib = resident_mib(os.getpid()) - before_mib
        ten = laid_end_to_end(source, folder / "ten.journal", 10 if quick else 122)
        old, new = Starts(folder, ports), Starts(folder, ports)
        after, empty = in_turns(
            functools.partial(old.first_scan_s, ten),
            functools.partial(new.first_scan_s, None),
            1 if quick else 5,
        )
        mib = ten.stat().st_size / 2**20
        return [
            of("start to first good scan of all panels, empty journal", empty, "s"),
            of("the same with ten years of journal, over empty", ratios(after, empty),
               target=Target("at most", 2),
               detail=f"{sorted(after)[len(after) // 2]:.2f} s, journal of {mib:.0f} MiB"),
            of("memory after the first scan, empty journal", new.mib, "MiB"),
            of("memory after the first scan, ten years", old.mib, "MiB"),
            of(f"memory that {days} virtual days left behind, beyond one", [month_mib], "MiB",
               detail="with the simulated plant"),
        ]  # fmt: skip
