"""``weirkeeper runtime``: run hours and starts by machine and period, from the journal."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, Command
from collector.cli.spans import (
    add_listing,
    begin_text,
    check_equipment,
    csv_text,
    figure,
    open_journal,
    rfc3339_local,
    span_of,
)
from collector.cli.tables import table
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.plant.equipment import DosingPump, Filter, Machine
from collector.plant.model import Plant
from collector.reports.eras import read_eras
from collector.reports.machines import read_machines
from collector.reports.totals import TotalLine, read_totals

COLUMNS = (
    "begin", "period", "machine", "run_hours", "run_hours_low", "run_hours_high", "starts",
    "starts_at_least", "known_percent", "reason", "recomputed", "superseded",
)  # fmt: skip
FOOTNOTE = (
    "Periods under way are not listed, nor days of which nothing is known, nor hours\n"
    "without run time. 'at least' and 'at most' take brackets and unknown time in."
)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_listing(parser)
    parser.add_argument(
        "--all", action="store_true", help="list superseded figures too, marked with '~'"
    )
    parser.add_argument(
        "--machines", action="store_true",
        help="what each machine has run, by serial number, also those that were replaced",
    )  # fmt: skip


def execute(options: argparse.Namespace) -> Answer:
    """Read the totals of run time and starts."""
    reader, plant = open_journal(options)
    with reader:
        machines = [
            name for name, part in plant.equipment.items()
            if isinstance(part, Machine | Filter) or (isinstance(part, DosingPump) and part.run)
        ]  # fmt: skip
        check_equipment(options.equipment, machines, "machine")
        if options.machines:
            return _machines(options, reader, plant)
        newest = reader.recent(1)
        span = span_of(options, plant, newest[0].utc_us if newest else 0)
        lines = read_totals(
            reader, read_eras(reader), span.period, span.from_utc_us, span.to_utc_us,
            ("run_hours", "starts"), options.equipment, options.all,
        )  # fmt: skip
    data = [{**row, "begin": rfc3339_local(row["begin_utc_us"], span.zone)} for row in _rows(lines)]
    if options.csv:
        return Answer(csv_text(COLUMNS, data), data)
    if not data:
        return Answer("nothing on record for that time", data, ExitCode.ANSWER_IS_NO)
    cells = [
        [
            begin_text(row["begin_utc_us"], span.period, span.zone),
            ("~" if row["superseded"] else "") + row["machine"],
            figure(row["run_hours"], 3), figure(row["run_hours_low"], 3),
            figure(row["run_hours_high"], 3),
            "-" if row["starts"] is None
            else f"{'>=' if row['starts_at_least'] else ''}{row['starts']}",
            f"{row['known_percent']:.1f} %",
        ]
        for row in data
    ]  # fmt: skip
    headings = (span.period, "machine", "run h", "at least", "at most", "starts", "known")
    text = [*table(headings, cells, frozenset(range(2, 7))), *_marks(data), "", FOOTNOTE]
    return Answer("\n".join(text), data)


def _rows(lines: list[TotalLine]) -> list[dict[str, Any]]:
    """Run time and starts of one machine and period side by side."""
    rows: list[dict[str, Any]] = []
    by_key: dict[tuple[int, str], dict[str, Any]] = {}
    for line in [line for line in lines if line.quantity == "run_hours"]:
        row: dict[str, Any] = {
            "begin_utc_us": line.begin_utc_us, "period": line.period, "machine": line.equipment,
            "run_hours": line.value, "run_hours_low": line.low, "run_hours_high": line.high,
            "starts": None, "starts_at_least": False, "known_percent": line.known_percent,
            "reason": line.reason, "recomputed": line.recomputed, "superseded": line.superseded,
        }  # fmt: skip
        rows.append(row)
        if not line.superseded:
            by_key[line.begin_utc_us, line.equipment] = row
    for line in lines:
        counted = by_key.get((line.begin_utc_us, line.equipment))
        if line.quantity == "starts" and not line.superseded and counted is not None:
            counted["starts"] = None if line.value is None else round(line.value)
            counted["starts_at_least"] = line.high is None
    return rows


def _marks(rows: list[dict[str, Any]]) -> list[str]:
    """What is to be said below the table of rows that are out of the ordinary."""
    reasons = {
        part
        for row in rows
        for part in str(row["reason"]).split("; ")
        if part and not part.endswith("of the period known")
    }
    return [f"! {reason}" for reason in sorted(reasons)]


MACHINE_COLUMNS = ("equipment", "serial", "from", "to", "hours", "low", "high", "quality", "reason")


def _machines(options: argparse.Namespace, reader: JournalReader, plant: Plant) -> Answer:
    """The machines by serial number, whatever time was asked for."""
    zone = ZoneInfo(plant.plant.time_zone)
    lines = [
        line
        for line in read_machines(reader, plant)
        if not options.equipment or line.equipment in options.equipment
    ]
    data: list[dict[str, Any]] = [
        {
            **asdict(line),
            "from": None if line.from_utc_us is None else rfc3339_local(line.from_utc_us, zone),
            "to": None if line.to_utc_us is None else rfc3339_local(line.to_utc_us, zone),
        }
        for line in lines
    ]
    if options.csv:
        return Answer(csv_text(MACHINE_COLUMNS, data), data)
    if not data:
        return Answer("no serial number of a machine is on record", data, ExitCode.ANSWER_IS_NO)
    cells = [
        [line.equipment, line.serial, *(
            "" if at_us is None else begin_text(at_us, "day", zone)
            for at_us in (line.from_utc_us, line.to_utc_us)
        ), *(figure(each, 1) for each in (line.hours, line.low, line.high))]
        for line in lines
    ]  # fmt: skip
    headings = ("machine", "serial number", "from", "to", "run h", "at least", "at most")
    reasons = sorted({f"! {line.serial}: {line.reason}" for line in lines if line.reason})
    return Answer("\n".join([*table(headings, cells, frozenset({4, 5, 6})), *reasons]), data)


COMMAND = Command(
    name="runtime",
    summary="run hours and starts by machine and hour, day or month",
    example="weirkeeper runtime --by day --from 2026-07-01 --to 2026-07-07",
    add_options=add_options,
    execute=execute,
)
