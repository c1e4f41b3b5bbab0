"""``weirkeeper cycles``: fills and drawdowns of wells, cleanings of filters, from the journal."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from statistics import fmean
from typing import Any

from collector.cli.command import Answer, Command
from collector.cli.spans import (
    Span,
    add_listing,
    begin_text,
    check_equipment,
    csv_text,
    open_journal,
    rfc3339_local,
    span_of,
)
from collector.cli.tables import duration, local_time, table
from collector.core.calendar import begin_of
from collector.errors import ExitCode
from collector.reports.cycles import Cycle, read_cycles, stations_of
from collector.reports.eras import read_eras

EACH_COLUMNS = (
    "begin", "equipment", "kind", "length_s", "error_s", "machines", "certain",
)  # fmt: skip
COLUMNS = (
    "begin", "period", "equipment", "kind", "count", "uncertain", "mean_s", "shortest_s",
    "longest_s",
)  # fmt: skip
FOOTNOTE = (
    "min: mean length in minutes, with the shortest and the longest; 'unsure': with a\n"
    "gap in them or a begin nobody saw, counted but left out of the lengths."
)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_listing(parser)
    parser.add_argument("--each", action="store_true", help="list them one by one")


def execute(options: argparse.Namespace) -> Answer:
    """Read the events of pumps and filters."""
    reader, plant = open_journal(options)
    with reader:
        names = [station.name for station in stations_of(plant)]
        check_equipment(options.equipment, names, "well with pumps or filter")
        newest = reader.recent(1)
        span = span_of(options, plant, newest[0].utc_us if newest else 0)
        cycles = read_cycles(
            reader, read_eras(reader), plant, span.from_utc_us, span.to_utc_us, options.equipment
        )
    rows = [_each(cycle, span) for cycle in cycles] if options.each else _summed(cycles, span)
    if options.csv:
        return Answer(csv_text(EACH_COLUMNS if options.each else COLUMNS, rows), rows)
    if not rows:
        return Answer("no cycles on record for that time", rows, ExitCode.ANSWER_IS_NO)
    if options.each:
        return Answer("\n".join(_each_lines(cycles, span)), rows)
    return Answer("\n".join([*_summed_lines(rows, span), "", FOOTNOTE]), rows)


def _each(cycle: Cycle, span: Span) -> dict[str, Any]:
    return {
        "begin": rfc3339_local(cycle.begin_utc_us, span.zone),
        "equipment": cycle.equipment,
        "kind": cycle.kind,
        "length_s": cycle.length_s,
        "error_s": cycle.error_s,
        "machines": " ".join(cycle.machines),
        "certain": cycle.certain,
    }


def _each_lines(cycles: Sequence[Cycle], span: Span) -> list[str]:
    cells = [
        [
            local_time(cycle.begin_utc_us, span.zone), cycle.equipment, cycle.kind,
            ("" if cycle.certain else "?") + duration(cycle.length_s), f"{cycle.error_s:.1f} s",
            " ".join(cycle.machines),
        ]
        for cycle in cycles
    ]  # fmt: skip
    headings = ("begin", "equipment", "what", "length", "+-", "pumps")
    lines = table(headings, cells, frozenset({3, 4}))
    if not all(cycle.certain for cycle in cycles):
        lines += ["", "? a panel was lost meanwhile, or its begin was not seen"]
    return lines


def _summed(cycles: Sequence[Cycle], span: Span) -> list[dict[str, Any]]:
    found: dict[tuple[int, str, str], list[Cycle]] = {}
    for cycle in cycles:
        begin_us = begin_of(span.period, cycle.begin_utc_us, span.zone)
        found.setdefault((begin_us, cycle.equipment, cycle.kind), []).append(cycle)
    rows = []
    for (begin_us, equipment, kind), group in sorted(found.items()):
        lengths_s = [cycle.length_s for cycle in group if cycle.certain]
        rows.append(
            {
                "begin": rfc3339_local(begin_us, span.zone),
                "begin_utc_us": begin_us,
                "period": span.period,
                "equipment": equipment,
                "kind": kind,
                "count": len(group),
                "uncertain": len(group) - len(lengths_s),
                "mean_s": fmean(lengths_s) if lengths_s else None,
                "shortest_s": min(lengths_s, default=None),
                "longest_s": max(lengths_s, default=None),
            }
        )
    return rows


def _summed_lines(rows: Sequence[dict[str, Any]], span: Span) -> list[str]:
    cells = [
        [
            begin_text(row["begin_utc_us"], span.period, span.zone), row["equipment"], row["kind"],
            str(row["count"]), str(row["uncertain"] or "-"),
            *("-" if row[key] is None else f"{row[key] / 60:.1f}"
              for key in ("mean_s", "shortest_s", "longest_s")),
        ]
        for row in rows
    ]  # fmt: skip
    headings = (span.period, "equipment", "what", "count", "unsure", "min", "least", "most")
    return table(headings, cells, frozenset(range(3, 8)))


COMMAND = Command(
    name="cycles",
    summary="fills and drawdowns of wells, cleanings of filters",
    example="weirkeeper cycles --by day --equipment collection_tank",
    add_options=add_options,
    execute=execute,
)
