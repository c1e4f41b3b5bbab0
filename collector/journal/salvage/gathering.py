"""From the pages of a damaged file into the tables of a fresh one: what is there, checked.

Records, names and entries never change, so every version of a page that is found holds truth; of
what does change the newest counts. The log comes first, because its pages carry checksums.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import apsw

from collector.core.records import RecordKind
from collector.journal.rows import COLUMNS, MOST_SHARED_REASONS
from collector.journal.salvage.pages import Image
from collector.journal.salvage.tables import Beside, Row, maybe_entry, maybe_listed, maybe_record

STEP_ROWS = 5_000
STEP_PAGES = 2_000
STEP_COMMIT_ROWS = 100_000
LARGEST_SEQUENCE = 1 << 52
DISORDER_UNKNOWN_US = 3_600_000_000
"""Used where the journal's own figure is lost: no record is older by more than the one before."""
LEAST_COMPARED = 20
# ruff: noqa: S608 — every statement is put together from constants alone
KEEP = f"INSERT OR IGNORE INTO record ({COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?)"
KEEP_ENTRY = "INSERT OR IGNORE INTO chain VALUES (?, ?, ?, ?)"


class ForeignLog(Exception):
    """The log is not of this database: it holds other records under the same numbers.

    Args:
        image: whose log it is.
    """

    def __init__(self, image: Image) -> None:
        super().__init__("the log is of another journal")
        self.image = image


@dataclass(slots=True)
class Hole:
    """Numbers without a record between two that have one.

    Args:
        first, last: the numbers.
        listed: how many records the index knows of in it.
    """

    first: int
    last: int
    listed: int = 0


@dataclass(slots=True)
class Gathered:
    """What has been gathered.

    Args:
        beside: all but records and chain.
        holes: in the numbers of the records.
        unbelievable: records that were read and cannot be right.
        index_whole: whether the index lists every record that was found, so that it can be
            believed where it lists none.
    """

    beside: Beside = field(default_factory=Beside)
    holes: list[Hole] = field(default_factory=list)
    unbelievable: int = 0
    index_whole: bool = False


def gather(
    images: Sequence[Image], into: apsw.Connection, still_at_it: Callable[[], object]
) -> Gathered:
    """Read all pages into the tables ``record`` and ``chain`` of a fresh journal.

    Args:
        images: the damaged one; or several of one journal, of which the first is believed first.
        into: the fresh one, which holds nothing yet.
        still_at_it: called every second or so.

    Raises:
        ForeignLog: the log belongs to another journal.
        apsw.Error: the fresh one cannot be written.
    """
    found = Gathered()
    for image in images:
        _read_rows(image, into, found, still_at_it)
    found.beside.settle_names()
    _drop_unbelievable(into, found)
    found.holes = _holes(into)
    _consult_index(images, into, found, still_at_it)
    return found


def _read_rows(
    image: Image, into: apsw.Connection, found: Gathered, still_at_it: Callable[[], object]
) -> None:
    logged: dict[int, int] = {}
    compared = differing = written = 0
    in_log = len(image.log_pages)
    rows: list[Row] = []
    into.execute("BEGIN")
    for place, (number, page) in enumerate(image.pages()):
        for cell in image.cells(number, page):
            if len(cell.values) == 9:
                row = maybe_record(cell)
                if row is None or row[0] > LARGEST_SEQUENCE:
                    continue
                if place < in_log:
                    logged.setdefault(row[0], hash(row))
                elif row[0] in logged:
                    compared += 1
                    differing += logged[row[0]] != hash(row)
                rows.append(row)
            elif (entry := maybe_entry(cell)) is not None:
                into.execute(KEEP_ENTRY, (entry.number, entry.sequence, entry.body, entry.hash))
            else:
                found.beside.take(cell)
        if place % STEP_PAGES == 0:
            still_at_it()
        if len(rows) >= STEP_ROWS:
            into.executemany(KEEP, rows)
            written += len(rows)
            rows.clear()
            if written >= STEP_COMMIT_ROWS:
                into.execute("COMMIT")
                into.wal_checkpoint()
                into.execute("BEGIN")
                written = 0
    into.executemany(KEEP, rows)
    into.execute("COMMIT")
    if compared >= LEAST_COMPARED and 2 * differing > compared:
        raise ForeignLog(image)


def _drop_unbelievable(into: apsw.Connection, found: Gathered) -> None:
    """Take out records without a subject, and those that stand out of the order of plant time."""
    beside = found.beside
    wrong: list[int] = []
    allowed_us = beside.disorder_us if beside.begun_us else DISORDER_UNKNOWN_US
    before = here = None
    disorder_us = 0
    rows: Any = into.execute(
        "SELECT sequence, at_us, subject, reason FROM record ORDER BY sequence"
    )
    for sequence, at_us, subject, reason in rows:
        if subject not in beside.subjects or (
            isinstance(reason, int) and not 0 <= reason < MOST_SHARED_REASONS
        ):
            wrong.append(sequence)
            continue
        if here is not None and here[1] - at_us > allowed_us:
            if before is not None and before - at_us > allowed_us:
                wrong.append(sequence)  # it is out of order with both
                continue
            wrong.append(here[0])
        elif here is not None:
            before = here[1] if before is None else max(before, here[1])
            disorder_us = max(disorder_us, before - at_us)
        here = (sequence, at_us)
    found.unbelievable = len(wrong)
    if disorder_us > beside.disorder_us or not beside.begun_us:
        beside.disorder_us = min(disorder_us, allowed_us)
    with into:
        into.executemany("DELETE FROM record WHERE sequence = ?", [(one,) for one in wrong])


def _holes(into: apsw.Connection) -> list[Hole]:
    rows: Any = into.execute(
        "SELECT before + 1, sequence - 1 FROM (SELECT sequence, lag(sequence, 1, 0) OVER "
        "(ORDER BY sequence) AS before FROM record) WHERE sequence > before + 1"
    ).fetchall()
    newest = into.execute("SELECT coalesce(max(sequence), 0) FROM record").get
    return [*(Hole(*row) for row in rows), Hole(newest + 1, LARGEST_SEQUENCE)]


def _consult_index(
    images: Sequence[Image], into: apsw.Connection, found: Gathered,
    still_at_it: Callable[[], object],
) -> None:  # fmt: skip
    """Count what the index knows of in each hole, and whether the index itself is whole."""
    firsts = [hole.first for hole in found.holes]
    listed: set[int] = set()
    seen: set[int] = set()
    every = ((image, *each) for image in images for each in image.pages())
    for place, (image, number, page) in enumerate(every):
        if place % STEP_PAGES == 0:
            still_at_it()
        for cell in image.cells(number, page):
            pair = maybe_listed(cell) if len(cell.values) == 2 else None
            if pair is None or pair[1] in listed or pair[0] not in found.beside.subjects:
                continue
            hole = found.holes[max(0, bisect_right(firsts, pair[1]) - 1)]
            if hole.first <= pair[1] <= hole.last:
                hole.listed += 1
                listed.add(pair[1])
            else:
                seen.add(pair[1])
    matched = len(seen)
    count = into.execute("SELECT count(*) FROM record").get
    found.index_whole = matched >= count
    if found.holes[-1].listed:  # the tail: only as far as it is known to have been
        found.holes[-1].last = max(one for one in listed if one >= found.holes[-1].first)
    else:
        found.holes.pop()


def fill_names(into: apsw.Connection, beside: Beside) -> None:
    """Write subjects and reasons, whose numbers must have no holes; what is lost says so."""
    subjects = [(number, *key) for number, key in sorted(beside.subjects.items())]
    into.executemany("INSERT OR IGNORE INTO subject VALUES (?, ?, ?)", subjects)
    lost = set(range(1, max(beside.subjects, default=0) + 1)) - _numbers(into, "subject")
    into.executemany(
        "INSERT INTO subject VALUES (?, ?, ?)",
        [(number, int(RecordKind.COLLECTOR), f"collector.lost_name_{number}") for number in lost],
    )
    into.executemany(
        "INSERT OR IGNORE INTO reason VALUES (?, ?)",
        [row for row in sorted(beside.reasons.items()) if row[0] < MOST_SHARED_REASONS],
    )
    used = into.execute("SELECT max(reason) FROM record WHERE typeof(reason) = 'integer'").get or 0
    known = _numbers(into, "reason")
    into.executemany(
        "INSERT INTO reason VALUES (?, ?)",
        [
            (number, f"reason {number}, lost with a damaged journal")
            for number in range(max(used, *known) + 1)
            if number not in known
        ],
    )


def _numbers(into: apsw.Connection, table: str) -> set[int]:
    return {number for (number,) in into.execute(f"SELECT id FROM {table}")}
