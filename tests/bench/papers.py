"""What records of periods and exports cost, beside the bare libraries in the same run.

    .venv/bin/python -m tests.bench.papers JOURNAL [PERIOD ...]

For each period (``2026-07``, ``2026``) the record is written in a process of its own: wall time
and peak memory, without and with PDF. Then the whole journal is exported in each form and selected
narrowly; processor time, the program's start included, is set beside ``sqlite3`` read and ``csv``
written by the standard library, and the same rows put into Parquet by pyarrow alone. These write
ten columns as they are stored, an export sixteen, converted and dated.
"""

from __future__ import annotations

import csv
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pyarrow  # type: ignore[import-untyped]
from pyarrow import parquet

PROGRAM = [sys.executable, "-m", "collector"]
SQL = (
    "SELECT r.sequence, s.kind, s.name, r.at_us, r.bracket_us, r.value, r.low, r.high, r.marks, "
    "r.reason FROM record r JOIN subject s ON s.id = r.subject ORDER BY r.sequence"
)
MEASURE = """
import resource, subprocess, sys, time
began = time.perf_counter()
code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
cpu_s = used.ru_utime + used.ru_stime
print(code, time.perf_counter() - began, used.ru_maxrss / 1024, cpu_s)
"""


def measured(*words: str) -> tuple[float, float, float]:
    """Wall time in s, peak memory in MiB and processor time in s of a command line."""
    told = subprocess.run(
        [sys.executable, "-c", MEASURE, *PROGRAM, *words],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    assert told[0] == "0", words
    return float(told[1]), float(told[2]), float(told[3])


def bare_csv(journal: Path, out: Path) -> float:
    """Processor seconds that the standard library takes for the same rows."""
    began = time.process_time()
    with sqlite3.connect(f"file:{journal}?mode=ro", uri=True) as db, out.open("w") as file:
        csv.writer(file).writerows(db.execute(SQL))
    return time.process_time() - began


def bare_parquet(journal: Path, out: Path) -> float:
    """Processor seconds of reading and pyarrow alone; values are missing where they are text."""
    began = time.process_time()
    with sqlite3.connect(f"file:{journal}?mode=ro", uri=True) as db:
        columns = list(zip(*db.execute(SQL), strict=True))
    figures = [value if isinstance(value, int | float) else None for value in columns[5]]
    arrays = [
        pyarrow.array(column)
        for place, column in enumerate(columns)
        if place not in (5, 9)
    ]  # fmt: skip
    arrays.append(pyarrow.array([None if v is None else float(v) for v in figures]))
    names = [str(number) for number in range(len(arrays))]
    parquet.write_table(pyarrow.table(arrays, names=names), out, compression="zstd")
    return time.process_time() - began


def main(journal: Path, periods: list[str]) -> None:
    """Print both tables."""
    with sqlite3.connect(f"file:{journal}?mode=ro", uri=True) as db:
        count = int(db.execute("SELECT count(*) FROM record").fetchone()[0])
    print(f"{count} records, {journal.stat().st_size / 2**20:.0f} MiB")
    with tempfile.TemporaryDirectory() as folder:
        for period in periods:
            for pdf in ("--no-pdf", "--pdf"):
                wall_s, peak_mib, _ = measured(
                    "report", "--journal", str(journal), "--period", period, pdf,
                    "--out", f"{folder}/record",
                )  # fmt: skip
                print(f"record of {period} {pdf}: {wall_s:.1f} s, {peak_mib:.0f} MiB")
        csv_s = bare_csv(journal, Path(folder, "bare.csv"))
        parquet_s = bare_parquet(journal, Path(folder, "bare.parquet"))
        narrow = ("--quantity", "run_hours", "--kind", "total")
        for form, bare_s, more in (
            ("csv", csv_s, ()), ("jsonl", csv_s, ()), ("parquet", parquet_s, ()),
            ("csv", csv_s, narrow),
        ):  # fmt: skip
            wall_s, peak_mib, cpu_s = measured(
                "export", "--journal", str(journal), "--format", form, "--out", f"{folder}/{form}",
                *more,
            )  # fmt: skip
            print(
                f"export {' '.join((form, *more))}: {wall_s:.1f} s, {count / cpu_s:.0f} records a "
                f"processor second, {cpu_s / bare_s:.1f} times the bare library, {peak_mib:.0f} MiB"
            )
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"(this program itself {own:.0f} MiB)")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
