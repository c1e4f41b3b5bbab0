"""``weirkeeper findings``: what is wrong now and what was, in words, from the journal."""

from __future__ import annotations

import argparse
import textwrap
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, Command
from collector.cli.options import add_journal, add_settings
from collector.cli.spans import add_span, check_equipment, open_journal, rfc3339_local, span_of
from collector.cli.tables import WIDTH, cut, duration, local_time, table
from collector.core.diagnosis.wording import CAUTIONS
from collector.errors import ExitCode
from collector.reports.findings import FindingLine, read_findings, standing_findings

INDENT = "    "


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--history", action="store_true", help="list what was found in a time, over or not"
    )
    add_span(parser)
    parser.add_argument(
        "--equipment",
        action="append",
        default=[],
        metavar="NAME",
        help="only this equipment or panel; may be given several times",
    )
    add_journal(parser)
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Read the findings; exit code 1 says that one stands now."""
    reader, plant = open_journal(options)
    with reader:
        check_equipment(options.equipment, [*plant.equipment, *plant.panels], "equipment or panel")
        newest = reader.recent(1)
        now_utc_us = newest[0].utc_us if newest else 0
        span = span_of(options, plant, now_utc_us)
        past = options.history or options.from_text is not None or options.to_text is not None
        if past:
            lines = read_findings(reader, span.from_utc_us, span.to_utc_us)
        else:
            there = {*plant.equipment, *plant.panels}
            lines = [line for line in standing_findings(reader) if line.equipment in there]
    wanted = set(options.equipment)
    lines = [line for line in lines if not wanted or line.equipment in wanted]
    stands = any(line.ended_utc_us is None for line in lines)
    data = [_row(line, span.zone) for line in lines]
    code = ExitCode.ANSWER_IS_NO if stands else ExitCode.DONE
    if not lines:
        nothing = "nothing was found in that time" if past else "nothing is wrong, as far as known"
        return Answer(nothing, data, code)
    text = _past_text(lines, span.zone) if past else _standing_text(lines, span.zone, now_utc_us)
    return Answer("\n".join(text), data, code)


def _row(line: FindingLine, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "equipment": line.equipment, "finding": line.finding,
        "since": rfc3339_local(line.since_utc_us, zone),
        "found": rfc3339_local(line.found_utc_us, zone),
        "ended": None if line.ended_utc_us is None else rfc3339_local(line.ended_utc_us, zone),
        "quality": line.quality, "text": line.text,
    }  # fmt: skip


def _standing_text(lines: list[FindingLine], zone: ZoneInfo, now_utc_us: int) -> list[str]:
    """Each finding in full, and the cautions it names once at the end."""
    found = []
    for line in lines:
        age_s = max(0, now_utc_us - line.since_utc_us) / 1e6
        since = local_time(line.since_utc_us, zone)
        head = f"{line.equipment}: {line.finding.replace('_', ' ')}"
        found += [cut(head), f"{INDENT}since {since}, for {duration(age_s)}"]
        found += textwrap.wrap(
            line.text, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT
        )  # fmt: skip
        found.append("")
    named = [name for name in CAUTIONS if any(name in line.text for line in lines)]
    for name in named:
        found += textwrap.wrap(f"{name}: {CAUTIONS[name]}", WIDTH, subsequent_indent=INDENT)
    return found if named else found[:-1]


def _past_text(lines: list[FindingLine], zone: ZoneInfo) -> list[str]:
    rows = [
        [
            line.equipment, line.finding.replace("_", " "), local_time(line.since_utc_us, zone),
            "still" if line.ended_utc_us is None
            else duration((line.ended_utc_us - line.since_utc_us) / 1e6),
        ]
        for line in lines
    ]  # fmt: skip
    return [
        *table(("equipment", "finding", "since", "lasted"), rows),
        "",
        "weirkeeper findings --json --history tells each in words",
    ]


COMMAND = Command(
    name="findings",
    summary="what is wrong now and what was, in words with evidence",
    example="weirkeeper findings --history --from 2026-07-01",
    add_options=add_options,
    execute=execute,
    about="exit code 1: a finding that was listed still stands\n",
)
