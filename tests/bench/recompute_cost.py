"""What it costs to derive the past again, beside reading the same rows with bare SQLite.

Processor time, so that whoever else uses the machine does not count.

.venv/bin/python -m tests.bench.recompute_cost [days]
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import apsw

from collector.cli.month import run_month
from collector.core.pipeline import INPUT_KINDS
from collector.core.records import RecordKind
from collector.journal.reader import JournalReader
from collector.plant_file import read_plant_file
from collector.recompute import recompute
from collector.reports.eras import EVER_US, read_eras

DAYS_A_YEAR = 365.0
PLANT_FILE = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"


def bare_read_s(path: Path) -> tuple[int, float]:
    """Rows of inputs, and the time to read them all with one bare statement, the best of five."""
    connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    kinds = ",".join(str(int(kind)) for kind in INPUT_KINDS)
    took_s = []
    for _ in range(5):
        began_s = time.process_time()
        rows = connection.execute(
            "SELECT r.* FROM record r JOIN subject s ON s.id = r.subject "  # noqa: S608
            f"WHERE s.kind IN ({kinds}) ORDER BY r.sequence"
        ).fetchall()
        took_s.append(time.process_time() - began_s)
    connection.close()
    return len(rows), min(took_s)


def main(days: float) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "weirkeeper.journal"
        month = run_month(read_plant_file(PLANT_FILE), path, days, seed=1)
        with JournalReader(path) as reader:
            kinds = Counter(record.kind for record in reader.records_after(0, 10_000_000))
            totals = kinds[RecordKind.TOTAL]
            print(f"{days:g} days: {month.records} records, {totals / days:.0f} totals a day, "
                  f"{month.journal_bytes / days / 1024:.0f} KiB a day")  # fmt: skip
            rows, bare_s = bare_read_s(path)
            began_s = time.process_time()
            result = recompute(reader, read_eras(reader), 0, EVER_US, None, EVER_US)
            took_s = time.process_time() - began_s
            print(f"{result.changes} changes in {took_s:.2f} s, "
                  f"{result.changes / took_s:.0f} a second; {result.totals} totals, "
                  f"{len(result.differences)} differ; "
                  f"{took_s * DAYS_A_YEAR / days:.0f} s a plant-year")  # fmt: skip
            print(f"bare reading of {rows} rows: {bare_s:.3f} s, ratio {took_s / bare_s:.0f}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 30.0)
