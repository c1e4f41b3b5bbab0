"""``weirkeeper alarms performance``: how good the alarms themselves are."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.alarms_list import read_past
from collector.cli.command import Answer
from collector.cli.spans import figure, rfc3339_local
from collector.cli.tables import duration, local_time, table
from collector.errors import ExitCode
from collector.reports.alarm_history import History
from collector.reports.alarm_performance import ENOUGH_DAYS, Figure, Performance, perform

SOURCE = "targets: ISA-18.2, table 7 (quoted), for one operator over at least 30 days"
MET = {True: "met", False: "NOT MET", None: "cannot tell"}


def performance(options: argparse.Namespace) -> Answer:
    """The figures of a time; exit code 1 says that a target was not met."""
    past, span = read_past(options, ENOUGH_DAYS)
    found = performance_of(past, span.zone)
    met = all(each.met is not False for each in found.figures)
    return Answer(
        "\n".join(performance_lines(found, span.zone)), performance_data(found, span.zone),
        ExitCode.DONE if met else ExitCode.ANSWER_IS_NO,
    )  # fmt: skip


def performance_of(past: History, zone: ZoneInfo) -> Performance:
    """The figures of what is on record of a history's period."""
    from_us = max(past.from_utc_us, past.began_utc_us or past.from_utc_us)
    to_us = max(from_us, min(past.to_utc_us, past.known_until_utc_us + 1))
    return perform(past.activations, from_us, to_us, zone)


def performance_lines(found: Performance, zone: ZoneInfo) -> list[str]:
    """The table and what is behind it, at most 80 columns."""
    begin, end = (local_time(at_us, zone) for at_us in (found.from_utc_us, found.to_utc_us))
    head = f"{begin} to {end}, {found.days:.1f} days, {found.count} alarms"
    lines = [head, "", *figure_lines(found.figures)]
    for title, counts in (
        ("most frequent", found.top_ten),
        ("chattering", found.chattering),
        ("fleeting", found.fleeting),
    ):
        if counts:
            lines += ["", *table((title, "times"), _cells(counts), frozenset({1}))]
    if found.floods:
        cells = [
            [
                local_time(flood.from_utc_us, zone), str(flood.count),
                "lasts" if flood.to_utc_us is None
                else duration((flood.to_utc_us - flood.from_utc_us) / 1e6),
            ]
            for flood in found.floods
        ]  # fmt: skip
        lines += ["", *table(("flood began", "alarms", "lasted"), cells, frozenset({1}))]
    lines += ["", SOURCE]
    if not found.long_enough:
        lines.append(f"this time is shorter than the {ENOUGH_DAYS} days they are meant for")
    return lines


def figure_lines(figures: tuple[Figure, ...]) -> list[str]:
    """The figures against their targets."""
    cells = [[each.name, _value(each), each.target, MET[each.met]] for each in figures]
    return table(("", "is", "target", ""), cells, frozenset({1}))


def performance_data(found: Performance, zone: ZoneInfo) -> dict[str, Any]:
    """All of it for a program."""
    return {
        "from": rfc3339_local(found.from_utc_us, zone),
        "to": rfc3339_local(found.to_utc_us, zone),
        "days": found.days,
        "long_enough": found.long_enough,
        "alarms": found.count,
        "figures": [asdict(each) for each in found.figures],
        "floods": [
            {
                "from": rfc3339_local(flood.from_utc_us, zone),
                "to": None if flood.to_utc_us is None else rfc3339_local(flood.to_utc_us, zone),
                "alarms": flood.count,
            }
            for flood in found.floods
        ],
        "most_frequent": dict(found.top_ten),
        "chattering": dict(found.chattering),
        "fleeting": dict(found.fleeting),
        "standing_over_24_h": {
            rfc3339_local(day_us, zone): count for day_us, count in found.standing_by_day
        },
        "by_priority": dict(found.by_priority),
    }


def _value(each: Figure) -> str:
    decimals = 0 if not each.unit else 2 if each.unit != "%" else 1
    unit = each.unit if each.unit in ("", "%") else ""
    return f"{figure(each.value, decimals)} {unit}".rstrip()


def _cells(counts: tuple[tuple[str, int], ...]) -> list[list[str]]:
    return [[subject, str(count)] for subject, count in counts]
