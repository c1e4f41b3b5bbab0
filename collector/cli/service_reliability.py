"""``weirkeeper service reliability``: how long machines run between failures."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.command import Answer
from collector.cli.spans import (
    add_span,
    check_equipment,
    figure,
    instant_of,
    rfc3339_local,
    span_of,
)
from collector.cli.tables import local_time, table
from collector.core.calendar import begin_of
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.machines import ReliabilityLine, failure_alarms, read_reliability
from collector.rules_in_force import rules_in_force

USUAL_US = 365 * 86_400_000_000
FOOTNOTE = (
    "MTBF: run hours by failures; available: MTBF / (MTBF + mean time out of order).\n"
    "A failure: an alarm of a fault or a failed start stands. With few of them the\n"
    "figures say little; without one there is none, only the hours."
)


def add_word(
    words: argparse._SubParsersAction[argparse.ArgumentParser],
) -> argparse.ArgumentParser:
    """Declare the word and its options."""
    parser = words.add_parser("reliability", help="run hours between failures", allow_abbrev=False)
    add_span(parser)
    parser.add_argument("--equipment", action="append", default=[], metavar="NAME",
                        help="only this; may be given several times")  # fmt: skip
    return parser


def execute(options: argparse.Namespace, reader: JournalReader, plant: Plant) -> Answer:
    """Read run hours and failures of whole plant days, a year if nothing is said."""
    zone = ZoneInfo(plant.plant.time_zone)
    rules = rules_in_force(reader, plant)
    check_equipment(options.equipment, failure_alarms(plant, rules), "machine")
    newest = reader.recent(1)
    newest_us = newest[0].utc_us if newest else 0
    asked = span_of(options, plant, newest_us)
    to_us = begin_of("day", min(asked.to_utc_us, newest_us), zone)
    from_us = to_us - USUAL_US
    if options.from_text is not None:
        from_us = instant_of(options.from_text, zone)
    from_us = begin_of("day", from_us, zone)
    lines = read_reliability(reader, plant, rules, from_us, to_us, options.equipment)
    data = {
        "from": rfc3339_local(from_us, zone),
        "to": rfc3339_local(to_us, zone),
        "machines": [_row(line) for line in lines],
    }
    if not lines:
        return Answer("no whole day on record in that time", data, ExitCode.ANSWER_IS_NO)
    cells = [
        [line.equipment, figure(line.figures.operating_h, 1),
         str(line.figures.failures) if line.alarms else "-", figure(line.figures.mtbf_h, 1),
         figure(line.figures.mttr_h, 2), _percent(line.figures.availability)]
        for line in lines
    ]  # fmt: skip
    head = ("machine", "run h", "failures", "MTBF h", "out of order h", "available")
    text = [f"{local_time(from_us, zone)} to {local_time(to_us, zone)}", ""]
    text += table(head, cells, frozenset(range(1, 6)))
    if any(not line.alarms for line in lines):
        text += ["", "'-': no alarm in force tells of a failure of that machine"]
    return Answer("\n".join([*text, "", FOOTNOTE]), data)


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100.0 * share:.2f} %"


def _row(line: ReliabilityLine) -> dict[str, Any]:
    figures = asdict(line.figures)
    if not line.alarms:
        figures["failures"] = None
    return {
        "machine": line.equipment, **figures, "operating_low_h": line.operating_low_h,
        "operating_high_h": line.operating_high_h, "unknown_h": line.unknown_h,
        "alarms": list(line.alarms),
    }  # fmt: skip
