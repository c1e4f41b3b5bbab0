"""Deriving the past again, and a virtual month, beside bare sqlite3 reading the same rows.

Bare reads every row of an input, with its subject's name, and makes nothing of it. Processor time
of this process, the fastest of some runs, so that whoever else uses the machine does not count. A
virtual month is more: the plant is simulated, read, derived and written.
"""

from __future__ import annotations

import sqlite3
import tempfile
import time
from pathlib import Path

from collector.core.pipeline import INPUT_KINDS
from collector.journal.reader import JournalReader
from collector.recompute import recompute
from collector.reports.eras import EVER_US, read_eras
from tests.bench.speed.demo_journal import virtual_days
from tests.bench.speed.figures import Figure, Target, in_turns, of, ratios

DAYS_A_YEAR = 365.0


def bare(path: Path) -> float:
    """Processor seconds of reading all rows of inputs."""
    kinds = ",".join(str(int(kind)) for kind in INPUT_KINDS)
    began_s = time.process_time()
    journal = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    rows = journal.execute(
        "SELECT r.*, s.name FROM record r JOIN subject s ON s.id = r.subject "  # noqa: S608 — constant
        f"WHERE s.kind IN ({kinds}) ORDER BY r.sequence"
    ).fetchall()
    took_s = time.process_time() - began_s
    journal.close()
    assert rows
    return took_s


def measure(*, quick: bool) -> list[Figure]:
    """Some days, laid out to a year."""
    days = 3 if quick else 30
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "source.journal"
        began_s = time.process_time()
        virtual_days(path, days)
        virtual_s = time.process_time() - began_s
        changes = 0

        def ours() -> float:
            nonlocal changes
            with JournalReader(path) as reader:
                began_s = time.process_time()
                changes = recompute(reader, read_eras(reader), 0, EVER_US, None, EVER_US).changes
                return time.process_time() - began_s

        took, plain = in_turns(ours, lambda: bare(path), 1 if quick else 3)
    year_s = [each / days * DAYS_A_YEAR for each in took]
    return [
        of("recompute, over bare reading of its rows", ratios(took, plain),
           target=Target("at most", 5),
           detail=f"{changes / min(took):.0f} changes a second, bare {changes / min(plain):.0f}"),
        of("recompute of a plant-year", year_s, "s", Target("at most", 20),
           f"{changes / days:.0f} changes a day"),
        of("virtual month, simulated, derived and written", [virtual_s / days * 30], "s",
           detail=f"over bare reading {virtual_s / min(plain):.0f}"),
    ]  # fmt: skip
