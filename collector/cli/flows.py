"""``weirkeeper flows``: volumes and mean flows by equipment and period, from the journal."""

from __future__ import annotations

import argparse
from typing import Any

from collector.cli.command import Answer, Command
from collector.cli.spans import (
    Span,
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
from collector.core.calendar import end_of
from collector.core.quantities import QUANTITIES
from collector.errors import ExitCode
from collector.plant.equipment import Machine
from collector.plant.model import Plant
from collector.reports.eras import read_eras
from collector.reports.totals import TotalLine, read_totals

VOLUMES = frozenset(
    name for name, quantity in QUANTITIES.items()
    if quantity.unit.kind == "volume" and quantity.unit.code == "m3"
)  # fmt: skip
FLOWS = frozenset(
    f"{name}_{ending}" for name, quantity in QUANTITIES.items()
    if quantity.unit.code == "m3/h" for ending in ("least", "greatest")
)  # fmt: skip
COLUMNS = (
    "begin", "period", "equipment", "quantity", "unit", "value", "low", "high",
    "mean_flow_m3_per_h", "known_percent", "quality", "reason", "recomputed", "superseded",
)  # fmt: skip
FOOTNOTE = (
    "Estimates, no custody meter; the truth lies 'from' .. 'to'. 'm3/h' is the mean\n"
    "over the known time, of a pump while it runs. Periods under way are not listed,\n"
    "nor those that saw nothing."
)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_listing(parser)
    parser.add_argument(
        "--all", action="store_true", help="list superseded figures too, marked with '~'"
    )


def execute(options: argparse.Namespace) -> Answer:
    """Read the totals of volumes and the extremes of flows."""
    reader, plant = open_journal(options)
    with reader:
        check_equipment(options.equipment, list(plant.equipment), "equipment")
        newest = reader.recent(1)
        span = span_of(options, plant, newest[0].utc_us if newest else 0)
        lines = read_totals(
            reader, read_eras(reader), span.period, span.from_utc_us, span.to_utc_us,
            VOLUMES | FLOWS | {"run_hours"}, options.equipment, options.all,
        )  # fmt: skip
    rows = _rows(lines, plant, span)
    if options.csv:
        return Answer(csv_text(COLUMNS, rows), rows)
    if not rows:
        return Answer(
            "no volumes on record for that time; they need wells with known volumes and pumps",
            rows, ExitCode.ANSWER_IS_NO,
        )  # fmt: skip
    cells = [_cells(row, span) for row in rows]
    headings = (span.period, "equipment", "of", "m3", "from", "to", "m3/h", "known")
    text = table(headings, cells, frozenset(range(3, 8)))
    return Answer("\n".join([*text, "", FOOTNOTE]), rows)


def _cells(row: dict[str, Any], span: Span) -> list[str]:
    """A row of the table; of a flow's extremes the figure stands below m3/h."""
    is_flow = row["quantity"] in FLOWS
    volume, flow = (None, row["value"]) if is_flow else (row["value"], row["mean_flow_m3_per_h"])
    return [
        begin_text(row["begin_utc_us"], span.period, span.zone),
        ("~" if row["superseded"] else "") + row["equipment"],
        row["quantity"].removeprefix("volume_").replace("greatest", "most").replace("_", " "),
        figure(volume, 2), figure(row["low"], 2), figure(row["high"], 2),
        figure(flow, 2), f"{row['known_percent']:.0f} %",
    ]  # fmt: skip


def _rows(lines: list[TotalLine], plant: Plant, span: Span) -> list[dict[str, Any]]:
    run_hours = {
        (line.begin_utc_us, line.equipment): line.value
        for line in lines
        if line.quantity == "run_hours" and not line.superseded
    }
    rows = []
    for line in lines:
        if line.quantity == "run_hours":
            continue
        hours: float | None = None
        if line.quantity in VOLUMES and isinstance(plant.equipment.get(line.equipment), Machine):
            hours = run_hours.get((line.begin_utc_us, line.equipment))
        elif line.quantity in VOLUMES:
            hours = _length_h(line, span) * line.known_percent / 100
        mean = line.value / hours if hours and line.value is not None else None
        rows.append(
            {
                "begin": rfc3339_local(line.begin_utc_us, span.zone),
                "begin_utc_us": line.begin_utc_us, "period": line.period,
                "equipment": line.equipment, "quantity": line.quantity, "unit": line.unit,
                "value": line.value, "low": line.low, "high": line.high,
                "mean_flow_m3_per_h": mean, "known_percent": line.known_percent,
                "quality": line.quality, "reason": line.reason,
                "recomputed": line.recomputed, "superseded": line.superseded,
            }
        )  # fmt: skip
    return rows


def _length_h(line: TotalLine, span: Span) -> float:
    """Length of the line's period by the calendar, in hours."""
    end_us = end_of(line.period, line.begin_utc_us, span.zone)
    return (end_us - line.begin_utc_us) / 3_600_000_000


COMMAND = Command(
    name="flows",
    summary="volumes and mean flows by well, pump and hour, day or month",
    example="weirkeeper flows --by day --equipment sump",
    add_options=add_options,
    execute=execute,
)
