"""Time of a year's alarm history as CSV over that of bare sqlite3 and csv on the same entries.

    .venv/bin/python -m tests.bench.alarm_history [ENTRIES]

A year in which alarms are raised, acknowledged, cleared and explained, kept by the journal's own
writer. Ours: read the audited record, make activations with bounds, write CSV with all that an
export says. Bare, with Python's own sqlite3 and csv: every entry as it stands in the table, a row
each; and the same with its JSON opened and its fields in columns, which is the least anybody who
wants to read them has to do. CPU time of this process, the best of some rounds, for each.
"""

from __future__ import annotations

import csv
import gc
import io
import json
import resource
import sqlite3
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.core.records import Record
from collector.journal import Journal, JournalReader
from collector.reports.alarm_export import Covered, csv_export
from collector.reports.alarm_history import read_history
from tests.unit.reports.alarms_on_paper import (
    DAY_US,
    MINUTE_US,
    NOON_US,
    cleared,
    moved,
    noted,
    raised,
)

ENTRIES = 100_000
ROUNDS = 5
AN_ACTIVATION = 4
EQUIPMENT, RULES = 25, 8
YEAR_US = 365 * DAY_US
SELECT = "SELECT number, sequence, body, hash FROM chain ORDER BY number"
FIELDS = ("sequence", "kind", "subject", "at", "utc", "after", "value", "quality", "reason", "low")


def year(entries: int) -> list[Record]:
    """Activations spread over a year, each raised, acknowledged, cleared and explained."""
    count = entries // AN_ACTIVATION
    records: list[Record] = []
    for number in range(count):
        subject = f"eq_{number % EQUIPMENT}.rule_{number // EQUIPMENT % RULES}"
        activation = number // (EQUIPMENT * RULES) + 1
        at_us = number * (YEAR_US // count)
        records += [
            raised(at_us, subject, activation),
            moved(at_us + MINUTE_US, "acknowledged", subject, activation, "acknowledged",
                  actor="warden"),
            cleared(at_us + 4 * MINUTE_US, subject, activation, "normal"),
            noted(at_us + 5 * MINUTE_US, subject, activation=activation,
                  cause="rag in the impeller", corrective_action="impeller cleaned"),
        ]  # fmt: skip
    return records


def keep(path: Path, records: list[Record]) -> None:
    """Put records into a journal."""
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as journal:
        for first in range(0, len(records), 2_000):
            while not journal.submit(records[first : first + 2_000]):
                journal.flush()
        journal.flush()


def ours(path: Path) -> int:
    """The year as an export tells it; returns the characters written."""
    with JournalReader(path) as reader:
        history = read_history(reader, NOON_US, NOON_US + YEAR_US + DAY_US)
        head, first = reader.chain_head(), reader.chain_anchor().number + 1
    covered = Covered(
        "Bench", ZoneInfo("Europe/London"), "bench", NOON_US, (), first, head.number,
        head.hash.hex(), "",
    )  # fmt: skip
    return len(csv_export(history, covered))


def bare(path: Path) -> int:
    """The entries as they stand in the table."""
    out = io.StringIO()
    csv.writer(out).writerows(sqlite3.connect(path).execute(SELECT))
    return len(out.getvalue())


def opened(path: Path) -> int:
    """The entries with their fields in columns."""
    out = io.StringIO()
    writer = csv.writer(out)
    for number, _, body, _ in sqlite3.connect(path).execute(SELECT):
        told = json.loads(body)
        writer.writerow([number, *(told[name] for name in FIELDS)])
    return len(out.getvalue())


def cpu_s(work: Callable[[Path], int], path: Path) -> float:
    """User and system time of this process that some work takes, the best of some rounds."""
    times = []
    for _ in range(ROUNDS):
        gc.collect()
        before = resource.getrusage(resource.RUSAGE_SELF)
        work(path)
        after = resource.getrusage(resource.RUSAGE_SELF)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times)


def main(entries: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal"
        keep(path, year(entries))
        own_s, bare_s, opened_s = (cpu_s(work, path) for work in (ours, bare, opened))
    print(f"{entries} entries, history and CSV: {own_s:.3f} s")
    print(
        f"bare sqlite3 and csv, entries as they stand: {bare_s:.3f} s, ratio {own_s / bare_s:.2f}"
    )
    print(f"with their fields in columns: {opened_s:.3f} s, ratio {own_s / opened_s:.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else ENTRIES)
