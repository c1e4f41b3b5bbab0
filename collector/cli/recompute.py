"""``weirkeeper recompute``: derive totals of the past again from the journaled changes."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from collector.cli.command import Answer, Command
from collector.cli.options import add_journal, add_settings, journal_path, whole
from collector.cli.progress import progress, share_of
from collector.cli.spans import Span, add_span, begin_text, figure, open_journal, span_of
from collector.cli.tables import table
from collector.clock import SystemClock
from collector.core.catalogue import unit_of_total
from collector.core.quantities import QUANTITIES
from collector.errors import CommandLineError, JournalHeld
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.plant_file import read_plant_file
from collector.plant_history import HASH_SHOWN
from collector.recompute import DAY_US, Difference, Recomputed, recompute, records_of
from collector.recompute_days import DayDifference
from collector.reports.eras import Eras, read_eras

WARM_UP_DAYS = 30
MOST_SHOWN = 20
BATCH = 5_000
ABOUT = """Totals that come out otherwise are written as new records and count from then
on. The old ones stay; 'runtime --all' and 'flows --all' list them.
Figures of whole days (doses, overflow rates, residuals) are compared and shown,
not written. The collector must be stopped meanwhile, since one process writes
a journal; --dry-run only compares and may run beside it.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_span(parser)
    parser.add_argument(
        "--plant",
        type=Path,
        metavar="FILE",
        help="a corrected plant file, in force from --from on; without it, those in force then",
    )
    parser.add_argument(
        "--dry-run", action="store_true", help="say what would change and write nothing"
    )
    parser.add_argument(
        "--warm-up",
        type=whole,
        default=WARM_UP_DAYS,
        metavar="DAYS",
        help=f"begin so many days before, so that estimates settle ({WARM_UP_DAYS})",
    )
    add_journal(parser)
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Derive, compare, write."""
    if options.from_text is None:
        raise CommandLineError("--from is missing: the date from which to derive again")
    corrected = None if options.plant is None else read_plant_file(options.plant)
    path = journal_path(options)
    writer = None if options.dry_run else _open(path)
    try:
        reader, plant = open_journal(options)
        with reader:
            newest = reader.recent(1)
            alive = reader.alive()
            span = span_of(options, plant, newest[0].utc_us if newest else 0)
            eras = read_eras(reader)
            clock = SystemClock(0)
            from_us, to_us = eras.plant_us(span.from_utc_us), eras.plant_us(span.to_utc_us)
            warm_up_us = options.warm_up * DAY_US
            with progress("recompute") as tell:
                reached = share_of(tell, from_us - warm_up_us, to_us)
                result = recompute(reader, eras, from_us, to_us, corrected, warm_up_us, reached)
            took_s = max(clock.now_us(), 1) / 1e6
            told_us = max(newest[0].at_us if newest else 0, alive.at_us if alive else 0)
            if writer is not None:
                _write(writer, result, told_us, eras)
    finally:
        if writer is not None:
            writer.close()
    return _answer(result, span, eras, took_s, written=writer is not None)


def _open(path: Path) -> Journal:
    JournalReader(path).close()  # a journal that is not there is not made here
    try:
        return Journal.open(path, wall_us=SystemClock().wall_us)
    except JournalHeld as held:
        raise JournalHeld(
            f"{held}; stop the collector to recompute, or compare with --dry-run"
        ) from held


def _write(writer: Journal, result: Recomputed, told_us: int, eras: Eras) -> None:
    records = records_of(result, told_us, eras.offsets_us[-1])
    for first in range(0, len(records), BATCH):
        while not writer.submit(records[first : first + BATCH]):
            writer.flush()
    writer.flush()


def _answer(result: Recomputed, span: Span, eras: Eras, took_s: float, *, written: bool) -> Answer:
    data: dict[str, Any] = {
        "from_utc_us": span.from_utc_us,
        "to_utc_us": span.to_utc_us,
        "plant_files": result.files,
        "changes": result.changes,
        "changes_per_s": result.changes / took_s,
        "totals": result.totals,
        "written": len(result.differences) if written else 0,
        "differences": [_difference(one, eras) for one in result.differences],
        "figures_of_days": result.days,
        "day_differences": [_day_difference(one, eras) for one in result.day_differences],
    }
    count = len(result.differences)
    verdict = "all are as on record" if not count else f"{count} differ from what is on record"
    lines = [
        f"{result.changes} changes taken again, {data['changes_per_s']:.0f} a second",
        f"plant files: {', '.join(name[:HASH_SHOWN] for name in result.files)}",
        f"{result.totals} totals, {verdict}",
    ]
    if count:
        lines += ["", *_difference_lines(result.differences, eras, span)]
        lines += ["", "written beside the old ones" if written else "nothing was written"]
    if result.days or result.day_differences:
        verdict = f"{len(result.day_differences) or 'none'} differ from what is on record"
        lines += ["", f"{result.days} figures of whole days, {verdict}"]
    if result.day_differences:
        lines += ["", *_day_lines(result.day_differences, eras, span)]
        lines += ["", "these are shown only: what was told then stays"]
    return Answer("\n".join(lines), data)


def _difference(one: Difference, eras: Eras) -> dict[str, Any]:
    unit = unit_of_total(one.after.subject)
    before = None if one.before is None else one.before.value
    return {
        "subject": one.after.subject,
        "begin_utc_us": eras.wall_us(one.after.from_us),
        "unit": unit.code,
        "before": unit.from_si(float(before)) if isinstance(before, int | float) else None,
        "after": None if one.after.value is None else unit.from_si(one.after.value),
        "reason": one.after.reason,
    }


def _difference_lines(differences: Sequence[Difference], eras: Eras, span: Span) -> list[str]:
    cells = []
    for one in differences[:MOST_SHOWN]:
        told = _difference(one, eras)
        equipment, quantity, period = one.after.subject.split(".")
        cells.append(
            [
                begin_text(told["begin_utc_us"], period, span.zone), equipment,
                quantity.replace("_", " "), figure(told["before"], 3), figure(told["after"], 3),
                unit_of_total(one.after.subject).label,
            ]
        )  # fmt: skip
    return _cut(cells, len(differences))


def _day_difference(one: DayDifference, eras: Eras) -> dict[str, Any]:
    unit = QUANTITIES[one.subject.rpartition(".")[2]].unit
    before, after = (
        unit.from_si(float(each)) if isinstance(each, int | float) else None
        for each in (one.before, one.after)
    )
    return {
        "subject": one.subject,
        "begin_utc_us": eras.wall_us(one.from_us),
        "unit": unit.code,
        "before": before,
        "after": after,
    }


def _day_lines(differences: Sequence[DayDifference], eras: Eras, span: Span) -> list[str]:
    cells = []
    for one in differences[:MOST_SHOWN]:
        told = _day_difference(one, eras)
        equipment, quantity = one.subject.split(".")
        cells.append(
            [
                begin_text(told["begin_utc_us"], "day", span.zone), equipment,
                quantity.replace("_", " "), figure(told["before"], 3), figure(told["after"], 3),
                QUANTITIES[quantity].unit.label,
            ]
        )  # fmt: skip
    return _cut(cells, len(differences))


def _cut(cells: list[list[str]], count: int) -> list[str]:
    headings = ("begin", "equipment", "of", "before", "after", "")
    lines = table(headings, cells, frozenset({3, 4}))
    if count > MOST_SHOWN:
        lines.append(f"... and {count - MOST_SHOWN} more; --json has them all")
    return lines


COMMAND = Command(
    name="recompute",
    summary="derive totals of the past again from the journaled changes",
    example="weirkeeper recompute --from 2026-07-01 --to 2026-07-31 --plant corrected.yaml",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
