"""``weirkeeper export``: the journal's data for other programs."""

from __future__ import annotations

import argparse
from collections.abc import Collection, Iterator
from pathlib import Path

from collector.cli.command import Answer, Command, near
from collector.cli.options import add_journal, add_settings
from collector.cli.progress import Tell, progress
from collector.cli.spans import add_span, open_journal, span_of
from collector.core.own_points import COLLECTOR
from collector.core.quantities import QUANTITIES
from collector.core.records import RecordKind
from collector.errors import CommandLineError, ExitCode
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.data_export.dictionary import (
    dictionary,
    dictionary_json,
    dictionary_text,
)
from collector.reports.data_export.files import Told, write_export
from collector.reports.data_export.rows import Row, Selection, Subject, rows_of

FORMATS = ("csv", "jsonl", "parquet")
KINDS = {kind.word: kind for kind in RecordKind}
OF_EQUIPMENT = frozenset({RecordKind.POINT, RecordKind.DERIVED, RecordKind.TOTAL})

ABOUT = """One row a record, in the unit people read, with its UCUM code, bounds, quality
and bracket; beside it a data dictionary as JSON and as text. Options that name
what is wanted add up; without any, everything is exported. Parquet files of
many plants can be laid into one folder and read by one query, such as
deploy/fleet.sql. Notices name people: they are exported only by --kind notice.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="where to write")
    parser.add_argument("--format", choices=FORMATS, default="csv", help="form of the rows (csv)")
    add_span(parser)
    for name, metavar, told in (
        ("point", "PANEL.POINT", "only this point"),
        ("equipment", "NAME", "only this equipment or panel"),
        ("quantity", "NAME", "only this quantity, of all equipment"),
        ("kind", "KIND", "only records of this kind"),
    ):
        parser.add_argument(
            f"--{name}", action="append", default=[], metavar=metavar,
            help=f"{told}; may be given several times",
        )  # fmt: skip
    add_journal(parser)
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Write the files and name them."""
    reader, plant = open_journal(options)
    with reader:
        newest = reader.latest()
        selection = _selection(options, reader, plant, newest)
        wanted = {
            subject: record for subject, record in newest.items() if selection.takes(*subject)
        }
        found = dictionary(plant, reader.journal_id, wanted.values())
        told = Told(dictionary_json(found), dictionary_text(found))
        stem = f"{plant.plant.name}_{reader.journal_id}"
        counted = [0]
        with progress("export") as tell:
            pages = rows_of(reader, plant, selection, wanted)
            paths = write_export(
                options.format, options.out, stem, _counted(pages, counted, selection, tell), told
            )
    lines = [f"{counted[0]} records", *map(str, paths)]
    data = {"records": counted[0], "files": [str(path) for path in paths]}
    code = ExitCode.DONE if counted[0] else ExitCode.ANSWER_IS_NO
    return Answer("\n".join(lines), data, code)


def _counted(
    pages: Iterator[list[Row]], counted: list[int], selection: Selection, tell: Tell
) -> Iterator[list[Row]]:
    length = max(1, selection.to_utc_us - selection.from_utc_us)
    first: int | None = None
    for page in pages:
        counted[0] += len(page)
        first = page[0].utc if first is None else first
        begin = max(first, selection.from_utc_us)
        tell((page[-1].utc - begin) / max(1, min(length, selection.to_utc_us - begin)))
        yield page


def _selection(
    options: argparse.Namespace, reader: JournalReader, plant: Plant, subjects: Collection[Subject]
) -> Selection:
    """What the options ask for.

    Raises:
        CommandLineError: a name that nothing has, with the nearest.
    """
    newest = reader.recent(1)
    newest_us = newest[0].utc_us if newest else 0
    if options.from_text is None:
        first = reader.records_after(0, 1)
        from_us = first[0].utc_us if first else 0
        to_us = newest_us + 1
        if options.to_text is not None:
            options.from_text = "1970-01-02"
            to_us = span_of(options, plant, newest_us).to_utc_us
    else:
        span = span_of(options, plant, newest_us)
        from_us, to_us = span.from_utc_us, span.to_utc_us
    # What is no longer in the plant file is still in the journal.
    points = {f"{panel}.{name}" for panel, each in plant.panels.items() for name in each.points}
    points |= {subject for kind, subject in subjects if kind is RecordKind.POINT}
    owners = {*plant.equipment, *plant.panels, COLLECTOR}
    owners |= {subject.partition(".")[0] for kind, subject in subjects if kind in OF_EQUIPMENT}
    for given, known, what in (
        (options.point, sorted(points), "point"),
        (options.equipment, sorted(owners), "equipment"),
        (options.quantity, list(QUANTITIES), "quantity"),
        (options.kind, list(KINDS), "kind of record"),
    ):
        for name in given:
            if name not in known:
                raise CommandLineError(f"there is no {what} '{name}'{near(name, known)}")
    kinds = frozenset(KINDS[word] for word in options.kind)
    return Selection(
        from_us, to_us, kinds or frozenset(RecordKind) - {RecordKind.NOTICE},
        frozenset(options.equipment), frozenset(options.point), frozenset(options.quantity),
    )  # fmt: skip


COMMAND = Command(
    name="export",
    summary="the journal's data as CSV, JSON lines or Parquet, with a data dictionary",
    example="weirkeeper export --format parquet --out fleet --from 2026-07-01",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
