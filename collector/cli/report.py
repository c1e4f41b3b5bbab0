"""``weirkeeper report``: the record of a month or any period as page, CSV and PDF."""

from __future__ import annotations

import argparse
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.charts.of_report import pictures_of
from collector.cli.command import Answer, Command
from collector.cli.options import add_journal, add_settings
from collector.cli.progress import progress
from collector.cli.spans import add_span, open_journal, span_of
from collector.core.calendar import local
from collector.errors import CommandLineError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.period_report.files import can_print, write_report
from collector.reports.period_report.period import Period, period_between, period_named

ABOUT = """A page to print and file (HTML), one CSV file a table, a list of their columns,
and a PDF where the library for it is installed. The same journal always gives
the same bytes. Files of the same record are replaced, others never.

Derived figures are estimates with their bounds; discharge and compliance
decisions rest with the licensed operator and the local authority.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--period",
        metavar="WHEN",
        help="a year, month or day of the plant's time zone: 2026, 2026-10, 2026-10-05",
    )
    add_span(parser)
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="directory to write the files into"
    )
    parser.add_argument(
        "--pdf",
        action=argparse.BooleanOptionalAction,
        default=None,
        help="with or without a PDF; without either, if the library for it is installed",
    )
    add_journal(parser)
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Write the files and name them."""
    if (options.period is None) == (options.from_text is None):
        raise CommandLineError("it needs either --period or --from")
    reader, plant = open_journal(options)
    with reader:
        period = _period(options, reader, plant)
        pdf = can_print() if options.pdf is None else options.pdf
        pictures = pictures_of(reader, plant)
        with progress("record") as tell:
            paths = write_report(
                reader, plant, period, options.out, pdf=pdf, pictures=pictures, tell=tell
            )
    lines = [str(path) for path in paths]
    return Answer("\n".join(lines), {"files": lines, "period": period.name})


def _period(options: argparse.Namespace, reader: JournalReader, plant: Plant) -> Period:
    if options.period is not None:
        if options.to_text is not None:
            raise CommandLineError("--to belongs to --from, not to --period")
        return period_named(options.period, reader, plant)
    newest = reader.recent(1)
    span = span_of(options, plant, newest[0].utc_us if newest else 0)
    zone = ZoneInfo(plant.plant.time_zone)
    name = "_".join(
        local(each, zone).strftime("%Y%m%dT%H%M%S") for each in (span.from_utc_us, span.to_utc_us)
    )
    return period_between(name, span.from_utc_us, span.to_utc_us, reader, zone)


COMMAND = Command(
    name="report",
    summary="the record of a month or any period, to print and file",
    example="weirkeeper report --period 2026-10 --out records",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
