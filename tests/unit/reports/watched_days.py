"""Two virtual days of the simulated plant with a fault and people's answers, as a journal.

Made once for all tests of a file; what it holds is judged by SQL that the tests write themselves.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from collector.cli.month import run_month
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from tests.unit.cli.typed import OSIER_BEND

DAYS = 2.2


def watch(folder: Path, days: float = DAYS) -> Path:
    """The journal of some virtual days, begun 2026-07-01T00:00:00Z."""
    plant_file = read_plant_file(OSIER_BEND)
    path = folder / "weirkeeper.journal"
    run_month(plant_file, path, days, 3, read_rule_files(None, plant_file.plant))
    return path


@contextmanager
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """The journal as the standard library's SQLite sees it."""
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        yield connection
    finally:
        connection.close()


def rows(path: Path, sql: str, wanted: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """What a statement finds."""
    with raw(path) as connection:
        return connection.execute(sql, wanted).fetchall()


TOTALS = """
    SELECT s.name, r.at_us - r.bracket_us AS begin_us, r.value, r.low, r.high
    FROM record r JOIN subject s ON s.id = r.subject
    WHERE s.kind = 9 AND s.name LIKE ? AND r.sequence = (
        SELECT max(n.sequence) FROM record n
        WHERE n.subject = r.subject AND n.at_us - n.bracket_us = r.at_us - r.bracket_us)
    ORDER BY begin_us
"""
"""Totals (kind 9) that count, by the pattern of their subjects; at_us less bracket_us is begin."""
