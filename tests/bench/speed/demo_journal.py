"""Journals to measure on: virtual days of Osier Bend, and the same laid end to end."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path
from typing import Any

import apsw

from collector.cli.month import run_month
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from tests.bench.speed.osier_peers import EXAMPLE

DAY_US = 86_400_000_000


def virtual_days(path: Path, days: float) -> Path:
    """A journal of so many days, with the rules that ship."""
    plant_file = read_plant_file(EXAMPLE)
    run_month(plant_file, path, days, seed=1, rules=read_rule_files(None, plant_file.plant))
    return path


def laid_end_to_end(source: Path, path: Path, times: int) -> Path:
    """The records of a journal so often, each time later by the days that it spans.

    The audited record, the state and all cursors stay those of the source: enough to read by, and
    to start on.
    """
    shutil.copyfile(source, path)
    with contextlib.closing(apsw.Connection(str(path))) as journal:
        journal.pragma("synchronous", 0)
        found: Any = journal.execute(
            "SELECT min(sequence), max(sequence), min(at_us), max(at_us) FROM record"
        ).fetchall()[0]
        first, last, begin_us, end_us = found
        span_us = -(-(end_us - begin_us) // DAY_US) * DAY_US
        with journal:
            for turn in range(1, times):
                journal.execute(
                    "INSERT INTO record SELECT sequence + ?1, subject, at_us + ?2, bracket_us, "
                    "marks, value, reason, low, high FROM record WHERE sequence BETWEEN ?3 AND ?4",
                    (turn * (last - first + 1), turn * span_us, first, last),
                )
            journal.execute(
                "UPDATE state SET sequence = sequence + ?",
                ((times - 1) * (last - first + 1),),
            )
            journal.execute(
                "UPDATE alive SET at_us = at_us + ?1, utc_us = utc_us + ?1",
                ((times - 1) * span_us,),
            )
    return path
