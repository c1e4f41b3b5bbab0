"""Journals to measure on: virtual days of Osier Bend, and the same laid end to end."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path
from typing import Any

import apsw

from collector.cli.month import START_US, run_month
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from tests.bench.speed.osier_peers import EXAMPLE

DAY_US = 86_400_000_000


def virtual_days(path: Path, days: float, start_us: int = START_US) -> Path:
    """A journal of so many days from an instant on, with the rules that ship."""
    plant_file = read_plant_file(EXAMPLE)
    rules = read_rule_files(None, plant_file.plant)
    run_month(plant_file, path, days, seed=1, rules=rules, start_us=start_us)
    return path


def laid_end_to_end(source: Path, path: Path, times: int) -> Path:
    """The records of a journal so often, those added older each time by the days that it spans.

    The audited record, the state, the sign of life and all cursors stay those of the source, which
    is the end of it.
    """
    shutil.copyfile(source, path)
    with contextlib.closing(apsw.Connection(str(path))) as journal:
        journal.pragma("synchronous", 0)
        found: Any = journal.execute(
            "SELECT max(sequence), min(at_us), max(at_us) FROM record"
        ).fetchall()[0]
        count, begin_us, end_us = found
        span_us = -(-(end_us - begin_us) // DAY_US) * DAY_US
        older = (times - 1) * count
        with journal:
            for table in ("record", "chain", "state"):
                journal.execute(f"UPDATE {table} SET sequence = sequence + ?", (older,))  # noqa: S608 — constant
            for turn in range(1, times):
                journal.execute(
                    "INSERT INTO record SELECT sequence - ?1, subject, at_us - ?2, bracket_us, "
                    "marks, value, reason, low, high FROM record WHERE sequence > ?3",
                    (turn * count, turn * span_us, older),
                )
    return path
