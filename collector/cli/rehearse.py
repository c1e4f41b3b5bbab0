"""``weirkeeper rehearse``: what alarm rules would have raised in the journal's past."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.alarms_figures import figure_lines, performance_data, performance_of
from collector.cli.alarms_list import newest_utc_us
from collector.cli.command import Answer, Command
from collector.cli.options import add_journal, add_settings
from collector.cli.progress import progress, share_of
from collector.cli.spans import Span, add_span, open_journal, rfc3339_local, span_of
from collector.cli.tables import cut, duration, local_time, table
from collector.clock import SystemClock
from collector.errors import CommandLineError
from collector.plant_file import read_plant_file
from collector.rehearsal import Rehearsed, rehearse
from collector.reports.alarm_comparison import Pair, compare
from collector.reports.alarm_history import History, read_history
from collector.reports.alarm_performance import Performance
from collector.reports.alarm_rows import Activation
from collector.reports.eras import read_eras

MOST_SHOWN = 40
ABOUT = """Nothing is changed: the rules in force stay so, and nothing is written. What
people did then is left out, so alarms are never shelved here. Rules that use a
quantity nobody derived then cannot be tried and are named.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_span(parser)
    parser.add_argument(
        "--rules", type=Path, nargs="+", required=True, metavar="PATH",
        help="rule files, or directories of them",
    )  # fmt: skip
    parser.add_argument(
        "--plant", type=Path, metavar="FILE",
        help="a corrected plant file; without it, those in force then",
    )  # fmt: skip
    add_journal(parser)
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Run the rules and compare."""
    if options.from_text is None:
        raise CommandLineError("--from is missing: the date from which to rehearse")
    corrected = None if options.plant is None else read_plant_file(options.plant)
    reader, plant = open_journal(options)
    with reader:
        span = span_of(options, plant, newest_utc_us(reader))
        period = (span.from_utc_us, span.to_utc_us)
        clock = SystemClock(0)
        with progress("rehearse") as tell:
            reached = share_of(tell, *period)
            found = rehearse(reader, read_eras(reader), period, options.rules, corrected, reached)
        took_s = max(clock.now_us(), 1) / 1e6
        then = read_history(reader, found.history.from_utc_us, found.history.to_utc_us)
    pairs = compare(found.history.activations, then.activations)
    here_figures = performance_of(found.history, span.zone)
    then_figures = performance_of(then, span.zone)
    lines = [
        *_head(found, pairs, took_s),
        *_pair_lines(pairs, span.zone, found.history.to_utc_us),
        *_untried_lines(found),
        "",
        "with these rules:",
        *figure_lines(here_figures.figures),
    ]
    if then.activations:
        lines += ["", "with the rules in force then:", *figure_lines(then_figures.figures)]
    return Answer("\n".join(lines), _data(found, then, pairs, span, here_figures, then_figures))


def _where(pair: Pair) -> str:
    if pair.then is None:
        return "only here"
    return "both" if pair.here else "only then"


def _head(found: Rehearsed, pairs: Sequence[Pair], took_s: float) -> list[str]:
    counts = Counter(map(_where, pairs))
    here, then = (counts["both"] + counts[where] for where in ("only here", "only then"))
    return [
        f"{found.rules} rules, {found.records} records in {took_s:.1f} s",
        f"{here} activations with these rules, {then} on record with those in force then:",
        f"{counts['only here']} only here, {counts['both']} both, {counts['only then']} only then",
        "",
    ]


def _pair_lines(pairs: Sequence[Pair], zone: ZoneInfo, to_utc_us: int) -> list[str]:
    if not pairs:
        return ["no alarm in that time, neither here nor then"]
    cells = []
    for pair in pairs[:MOST_SHOWN]:
        one = pair.either
        cells.append(
            [
                local_time(one.began_utc_us, zone), one.priority, one.subject,
                _length(pair.here, to_utc_us), _length(pair.then, to_utc_us), _where(pair),
            ]
        )  # fmt: skip
    headings = ("began", "priority", "alarm", "here", "then", "")
    lines = table(headings, cells, frozenset({0, 3, 4}))
    if len(pairs) > MOST_SHOWN:
        lines.append(f"... and {len(pairs) - MOST_SHOWN} more; --json has them all")
    return [*lines, "how long each stood in that time; + it stood on at the end"]


def _length(one: Activation | None, to_utc_us: int) -> str:
    if one is None:
        return "-"
    stood_on = one.ended_utc_us is None or one.ended_utc_us > to_utc_us
    return ("?" if one.unknown_s else "") + duration(one.known_s) + ("+" if stood_on else "")


def _untried_lines(found: Rehearsed) -> list[str]:
    if not found.untried:
        return []
    lines = ["", "could not be tried, since nothing is on record of what they ask for:"]
    return lines + [
        cut(f"  {subject}: {', '.join(names)}") for subject, names in found.untried.items()
    ]


def _data(
    found: Rehearsed,
    then: History,
    pairs: Sequence[Pair],
    span: Span,
    here_figures: Performance,
    then_figures: Performance,
) -> dict[str, Any]:
    zone = span.zone
    return {
        "from": rfc3339_local(then.from_utc_us, zone),
        "to": rfc3339_local(then.to_utc_us, zone),
        "rules": found.rules,
        "records": found.records,
        "activations": [
            {
                "alarm": pair.either.subject, "priority": pair.either.priority,
                "title": pair.either.title, "where": _where(pair),
                "here": _stood(pair.here, zone), "then": _stood(pair.then, zone),
            }
            for pair in pairs
        ],
        "could_not_be_tried": {name: list(facts) for name, facts in found.untried.items()},
        "performance_here": performance_data(here_figures, zone),
        "performance_then": performance_data(then_figures, zone),
    }  # fmt: skip


def _stood(one: Activation | None, zone: ZoneInfo) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "began": rfc3339_local(one.began_utc_us, zone),
        "ended": None if one.ended_utc_us is None else rfc3339_local(one.ended_utc_us, zone),
        "known_s": one.known_s, "at_least_s": one.low_s, "at_most_s": one.high_s,
    }  # fmt: skip


COMMAND = Command(
    name="rehearse",
    summary="try alarm rules on the journal's past before they are put in force",
    example="weirkeeper rehearse --from 2026-07-01 --to 2026-07-07 --rules rules",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
