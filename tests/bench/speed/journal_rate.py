"""Durable changes a second over bare sqlite3 in the same mode and batch, and what a change weighs.

Both write the same records of the demo plant: ours as records through the queue and the writer's
thread, with all that goes with them (numbers, names, eras, the audited record, signs of life);
bare as the rows that come of it, ready made, with one ``executemany`` a transaction. Both wait for
the disk (write-ahead log, ``synchronous = FULL``) after each batch.
"""

from __future__ import annotations

import functools
import sqlite3
import tempfile
import time
from pathlib import Path

from collector.core.records import Record
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from tests.bench.speed.demo_journal import virtual_days
from tests.bench.speed.figures import Figure, Target, in_turns, of, ratios

COLUMNS = "sequence, subject, at_us, bracket_us, marks, value, reason, low, high"


def ours(folder: Path, records: list[Record], batch: int) -> float:
    """Changes a second through the journal."""
    path = folder / "ours.journal"
    with Journal.open(path, wall_us=lambda: 0, commit_period_s=0.0) as journal:
        began_s = time.perf_counter()
        for at in range(0, len(records), batch):
            journal.submit(records[at : at + batch])
            journal.flush()
        took_s = time.perf_counter() - began_s
    _remove(path)
    return len(records) / took_s


def bare(folder: Path, schema: list[str], rows: list[tuple[object, ...]], batch: int) -> float:
    """Changes a second by the standard library."""
    path = folder / "bare.sqlite"
    journal = sqlite3.connect(path, isolation_level=None)
    journal.execute("PRAGMA journal_mode = wal")
    journal.execute("PRAGMA synchronous = full")
    journal.execute("PRAGMA wal_autocheckpoint = 0")
    for statement in schema:
        journal.execute(statement)
    began_s = time.perf_counter()
    for at in range(0, len(rows), batch):
        journal.execute("BEGIN IMMEDIATE")
        journal.executemany("INSERT INTO record VALUES (?,?,?,?,?,?,?,?,?)", rows[at : at + batch])
        journal.execute("COMMIT")
    took_s = time.perf_counter() - began_s
    journal.close()
    _remove(path)
    return len(rows) / took_s


def _remove(path: Path) -> None:
    for file in path.parent.glob(f"{path.name}*"):
        file.unlink()


def measure(*, quick: bool) -> list[Figure]:
    """Batches of one change, of a few, of a hundred and of the most there are in one."""
    found: list[Figure] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        days = 2 if quick else 14
        source = virtual_days(folder / "source.journal", days)
        with JournalReader(source) as reader:
            records = reader.records_after(0, 1_000_000)
            kept = reader.size_bytes()
        with sqlite3.connect(source) as journal:
            rows = journal.execute(f"SELECT {COLUMNS} FROM record ORDER BY sequence").fetchall()  # noqa: S608 — constant
            schema = [text for (text,) in journal.execute(
                "SELECT sql FROM sqlite_schema WHERE tbl_name = 'record' AND sql IS NOT NULL"
            )]  # fmt: skip
        journal.close()
        for batch, most in ((1, 1_000), (10, 5_000), (100, 20_000), (5_000, 200_000)):
            count = most // (4 if quick else 1)
            rates = in_turns(
                functools.partial(ours, folder, records[:count], batch),
                functools.partial(bare, folder, schema, rows[:count], batch),
                1 if quick else 7,
            )
            found.append(
                of(f"durable changes a second in batches of {batch}", ratios(*rates),
                   target=Target("at least", 0.8),
                   detail=f"{sorted(rates[0])[len(rates[0]) // 2]:.0f} a second, bare sqlite3 "
                   f"{sorted(rates[1])[len(rates[1]) // 2]:.0f}")
            )  # fmt: skip
        # What every journal has from its first day on (state, texts, reserve) does not grow.
        with JournalReader(virtual_days(folder / "first.journal", 1)) as reader:
            grown, more = kept - reader.size_bytes(), len(records) - reader.head()
        found.append(
            of(
                "bytes of a record on the disk, index and audited record included",
                [grown / more],
                "B",
            )
        )
        found.append(
            of("a plant-year of journal", [grown / (days - 1) * 365 / 2**20], "MiB",
               Target("at most", 150), f"{more / (days - 1):.0f} records a day, seen over {days} d")
        )  # fmt: skip
    return found
