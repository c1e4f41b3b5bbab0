"""What a year costs to ask: history, export, the record of a month; and ten years beside one.

The journal is a virtual month of Osier Bend laid end to end. Commands run as processes of their
own, so that the program's start counts. Bare is ``sqlite3`` read and ``csv`` written by the
standard library, and the same rows put into Parquet by pyarrow alone; these write ten columns as
they are stored, an export sixteen, converted and dated. What is asked of ten years is the same
month as of one year, so the same is returned.
"""

from __future__ import annotations

import csv
import functools
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pyarrow  # type: ignore[import-untyped]
from pyarrow import parquet

from collector.journal.reader import JournalReader
from tests.bench.speed.demo_journal import DAY_US, laid_end_to_end, virtual_days
from tests.bench.speed.figures import Figure, Target, in_turns, of, ratios

PROGRAM = [sys.executable, "-m", "collector"]
SQL = (
    "SELECT r.sequence, s.kind, s.name, r.at_us, r.bracket_us, r.value, r.low, r.high, r.marks, "
    "r.reason FROM record r JOIN subject s ON s.id = r.subject ORDER BY r.sequence"
)
MEASURE = """
import resource, subprocess, sys
code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(code, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
"""


def measured(*words: str) -> tuple[float, float]:
    """Processor time in s and peak memory in MiB of a command line."""
    told = subprocess.run(
        [sys.executable, "-c", MEASURE, *PROGRAM, *words],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert told[0] == "0", words
    return float(told[1]), float(told[2])


def bare_csv(journal: Path, out: Path) -> float:
    """Processor seconds that the standard library takes for the same rows."""
    began = time.process_time()
    with sqlite3.connect(f"file:{journal}?mode=ro", uri=True) as db, out.open("w") as file:
        csv.writer(file).writerows(db.execute(SQL))
    db.close()
    return time.process_time() - began


def bare_parquet(journal: Path, out: Path) -> float:
    """Processor seconds of reading and pyarrow alone; values are missing where they are text."""
    began = time.process_time()
    with sqlite3.connect(f"file:{journal}?mode=ro", uri=True) as db:
        columns = list(zip(*db.execute(SQL), strict=True))
    db.close()
    figures = [float(v) if isinstance(v, int | float) else None for v in columns[5]]
    arrays = [pyarrow.array(column) for place, column in enumerate(columns) if place not in (5, 9)]
    arrays.append(pyarrow.array(figures))
    names = [str(number) for number in range(len(arrays))]
    parquet.write_table(pyarrow.table(arrays, names=names), out, compression="zstd")
    return time.process_time() - began


def exported(journal: Path, out: Path, form: str) -> float:
    """Processor seconds of an export of everything."""
    return measured("export", "--journal", str(journal), "--format", form, "--out", str(out))[0]


def month(journal: Path, out: Path) -> float:
    """Processor seconds of the record of the last month."""
    words = ("report", "--journal", str(journal), "--period", "2026-07", "--no-pdf")
    return measured(*words, "--out", str(out))[0]


def day_of_history(journal: Path) -> float:
    """Milliseconds to read what one quantity did on the last day."""
    with JournalReader(journal) as reader:
        subject = next(name for _, name in reader.latest() if name.endswith(".level"))
        last = reader.recent(1)[0].at_us
        began = time.perf_counter()
        found = reader.history(subject, last - DAY_US, last, 100_000)
        took = time.perf_counter() - began
    assert found
    return 1000 * took


def measure(*, quick: bool) -> list[Figure]:
    """A year, and ten times that."""
    days, rounds = (2, 1) if quick else (31, 3)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = virtual_days(folder / "month.journal", days)
        year = laid_end_to_end(source, folder / "year.journal", 3 if quick else 12)
        ten = laid_end_to_end(source, folder / "ten.journal", 6 if quick else 120)
        with JournalReader(year) as reader:
            count = reader.record_count
        found: list[Figure] = []
        for form, bare in (("csv", bare_csv), ("jsonl", bare_csv), ("parquet", bare_parquet)):
            ours, plain = in_turns(
                functools.partial(exported, year, folder / "out", form),
                functools.partial(bare, year, folder / "bare"),
                1,
            )
            found.append(
                of(f"export of a year, {form}, over bare", ratios(ours, plain),
                   detail=f"{count} records, {count / min(ours):.0f} a processor second")
            )  # fmt: skip
        longer, one = in_turns(
            functools.partial(month, ten, folder / "out"),
            functools.partial(month, year, folder / "out"),
            rounds,
        )
        found.append(
            of("record of a month, ten years of journal over one", ratios(longer, one),
               target=Target("at most", 1.1),
               detail=f"{min(longer):.1f} s of processor, of one year {min(one):.1f} s")
        )  # fmt: skip
        longer, one = in_turns(
            functools.partial(day_of_history, ten), functools.partial(day_of_history, year),
            20 * rounds,
        )  # fmt: skip
        found.append(
            of("a day of one quantity, ten years of journal over one", ratios(longer, one),
               target=Target("at most", 1.5),
               detail=f"{min(longer):.1f} ms, of one year {min(one):.1f} ms")
        )  # fmt: skip
        _, peak = measured(
            "report", "--journal", str(ten), "--period", "2026-07", "--no-pdf", "--out",
            str(folder / "out"),
        )  # fmt: skip
        found.append(of("record of a month of ten years: memory", [peak], "MiB"))
    return found
