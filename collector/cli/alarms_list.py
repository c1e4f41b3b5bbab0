"""Lists of alarms: what stands now, what stood in a time, what lacks a cause or an action."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

from collector.cli.alarms_rows import COLUMNS, flat_row, full_row, gap_row, standing_row
from collector.cli.command import Answer
from collector.cli.options import add_journal, add_settings
from collector.cli.spans import (
    DAY_US,
    Span,
    add_span,
    check_equipment,
    csv_text,
    open_journal,
    rfc3339_local,
    span_of,
)
from collector.cli.tables import WIDTH, cut, duration, local_time, table
from collector.clock import SystemClock
from collector.core.alarms.rule import Priority
from collector.core.alarms.states import State
from collector.core.calendar import begin_of
from collector.core.diagnosis.wording import CAUTIONS
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.reports.alarm_history import Gap, History, Wanted, read_history
from collector.reports.alarm_rows import Activation
from collector.reports.alarm_standing import Standing, known_subjects, standing_alarms, unwatched
from collector.reports.picture import STALE_AFTER_US
from collector.rules_in_force import rules_in_force

INDENT = "    "
PRIORITIES = [priority.word for priority in reversed(Priority)]


def add_which(parser: argparse.ArgumentParser, *, span: bool) -> None:
    """Declare which alarms are meant.

    Args:
        span: whether they are those of a time.
    """
    if span:
        add_span(parser)
    for name, what in (("equipment", "equipment or panel"), ("rule", "rule")):
        parser.add_argument(
            f"--{name}", action="append", default=[], metavar="NAME",
            help=f"only this {what}; may be given several times",
        )  # fmt: skip
    parser.add_argument(
        "--priority",
        action="append",
        default=[],
        choices=PRIORITIES,
        help="only this priority; may be given several times",
    )
    add_journal(parser)
    add_settings(parser)


def wanted_of(options: argparse.Namespace, known: Collection[str]) -> Wanted:
    """The alarms the options mean.

    Args:
        known: every alarm there is or was.

    Raises:
        CommandLineError: a name that is none, with the nearest.
    """
    check_equipment(
        options.equipment, sorted({name.rpartition(".")[0] for name in known}),
        "equipment with alarms",
    )  # fmt: skip
    check_equipment(options.rule, sorted({name.rpartition(".")[2] for name in known}), "rule")
    return Wanted(
        frozenset(options.equipment), frozenset(options.priority), frozenset(options.rule)
    )


# --- now ------------------------------------------------------------------------------------------


def now(options: argparse.Namespace) -> Answer:
    """What is not normal; exit code 1 says that an alarm stands or waits for somebody."""
    reader, plant = open_journal(options)
    zone, now_us = ZoneInfo(plant.plant.time_zone), SystemClock().wall_us()
    with reader:
        rules = rules_in_force(reader, plant)
        wanted = wanted_of(options, known_subjects(reader, rules))
        lines = [
            line
            for line in standing_alarms(reader, rules)
            if wanted.takes(line.subject)
            and (not wanted.priorities or line.priority in wanted.priorities)
        ]
        gaps = unwatched(reader, plant.panels)
        as_of_us = newest_utc_us(reader)
    data = {
        "as_of": rfc3339_local(as_of_us, zone),
        "alarms": [standing_row(line, zone) for line in lines],
        "not_watched": [gap_row(gap, zone) for gap in gaps],
    }
    calls = any(not line.set_aside for line in lines)
    code = ExitCode.ANSWER_IS_NO if calls else ExitCode.DONE
    calling = [one for one in lines if not _by_design(one)]
    text = [told for one in calling for told in _standing_text(one, zone, now_us)]
    text = text or ["no alarm stands, as far as known", ""]
    text += _design_lines(lines)
    unknown = _unknown_lines(gaps, as_of_us, now_us, zone)
    return Answer("\n".join([*text, *unknown, *_cautions(lines)]).rstrip(), data, code)


def _unknown_lines(gaps: Iterable[Gap], as_of_us: int, now_us: int, zone: ZoneInfo) -> list[str]:
    """Why not everything is known."""
    found = [
        cut(f"! {gap.panel}: {gap.reason} since {local_time(gap.from_utc_us, zone)}, "
            "its alarms are unknown")
        for gap in gaps
    ]  # fmt: skip
    if now_us - as_of_us > STALE_AFTER_US:
        found.append(f"! the collector's last sign is of {local_time(as_of_us, zone)}")
    return [*found, ""] if found else []


def _standing_text(one: Standing, zone: ZoneInfo, now_us: int) -> list[str]:
    """An alarm in full: what it is, since when, what to do."""
    head = f"{one.priority.upper()}  {one.title or one.subject}"
    told = [cut(head), cut(f"{INDENT}{one.subject}, {_state_text(one)}")]
    age_s = max(0, now_us - one.since_utc_us) / 1e6
    since = f"since {local_time(one.since_utc_us, zone)}, for {duration(age_s)}"
    told.append(INDENT + since + (", the first of a burst" if one.first_out else ""))
    if one.unknown:
        told += _wrapped("whether it still stands is unknown: what it depends on is not known")
    if one.set_aside:
        until = f"until {one.until}" if one.until else ""
        by = f"by {one.actor}" if one.actor else ""
        why = f"because: {one.reason}" if one.reason else ""
        told += _wrapped(", ".join(filter(None, (until, by, why))))
    elif one.rule is not None:
        within = duration(one.rule.respond_within_s)
        told += _wrapped(f"do within {within}: {one.rule.response}")
        told += _wrapped(f"likely: {'; '.join(one.rule.causes)}")
        told += _wrapped(f"if nobody does: {one.rule.consequence}")
    return [*told, ""]


def _by_design(one: Standing) -> bool:
    return one.set_aside and one.state == State.SUPPRESSED.value


def _design_lines(lines: Iterable[Standing]) -> list[str]:
    """What is suppressed by design, by its reason: nobody has to do anything about it."""
    of_reason: dict[str, list[str]] = {}
    for one in lines:
        if _by_design(one):
            of_reason.setdefault(one.reason or "no reason given", []).append(one.subject)
    found: list[str] = []
    for reason, subjects in of_reason.items():
        text = f"suppressed by design, as {reason}: {', '.join(sorted(subjects))}"
        found += textwrap.wrap(text, WIDTH, subsequent_indent=INDENT)
    return [*found, ""] if found else []


def _state_text(one: Standing) -> str:
    number = f" (activation {one.activation})" if one.activation else ""
    return f"{one.state}{number}"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT * 2)


def _cautions(lines: Iterable[Standing]) -> list[str]:
    """Every caution of what is to be done, in full, once."""
    found: dict[str, None] = {}
    for one in lines:
        if one.rule is None or one.set_aside:
            continue
        own_words = one.rule.caution
        for caution in CAUTIONS.values():
            if caution in own_words:
                found[caution] = None
                own_words = own_words.replace(caution, "")
        if own_words.strip():
            found[" ".join(own_words.split())] = None
    return [
        line
        for caution in found
        for line in textwrap.wrap(f"caution: {caution}", WIDTH, subsequent_indent=INDENT)
    ]


# --- history --------------------------------------------------------------------------------------


def history(options: argparse.Namespace) -> Answer:
    """What stood in a time, open alarms included."""
    past, span = read_past(options)
    if options.csv:
        flat = [flat_row(one, span.zone) for one in past.activations]
        return Answer(csv_text(COLUMNS, flat), flat)
    rows = [full_row(one, span.zone) for one in past.activations]
    if not rows:
        return Answer("no alarm stood in that time, as far as known", rows)
    return Answer("\n".join(_table(past.activations, span.zone)), rows)


def incomplete(options: argparse.Namespace) -> Answer:
    """What still lacks a cause or an action; exit code 1 says that something does."""
    past, span = read_past(options)
    lacking = [one for one in past.activations if not (one.cause and one.corrective_action)]
    rows = [full_row(one, span.zone) for one in lacking]
    for row in rows:
        row["missing"] = [each for each in ("cause", "corrective_action") if not row[each]]
    if not rows:
        return Answer("every activation of that time has its cause and its action", rows)
    cells = [
        [
            one.subject, str(one.activation), one.priority, local_time(one.began_utc_us, span.zone),
            " and ".join(
                word
                for word, said in (("cause", one.cause), ("action", one.corrective_action))
                if not said
            ),
        ]
        for one in lacking
    ]  # fmt: skip
    lines = table(("alarm", "no.", "priority", "began", "missing"), cells, frozenset({1}))
    last = lacking[-1]
    say = f"weirkeeper alarms note {last.subject} --activation {last.activation}"
    hint = ["", "write them down, for instance:", f"{say} \\"]
    return Answer(
        "\n".join([*lines, *hint, '    --cause "..." --action "..." --by NAME']),
        rows, ExitCode.ANSWER_IS_NO,
    )  # fmt: skip


def read_past(options: argparse.Namespace, usual_days: int = 7) -> tuple[History, Span]:
    """The history of the span and alarms the options mean.

    Args:
        usual_days: length of the span where nothing is said.
    """
    reader, plant = open_journal(options)
    with reader:
        wanted = wanted_of(options, known_subjects(reader, rules_in_force(reader, plant)))
        span = span_of(options, plant, newest_utc_us(reader))
        if options.from_text is None:
            from_us = begin_of("day", span.to_utc_us - usual_days * DAY_US, span.zone)
            span = replace(span, from_utc_us=from_us)
        return read_history(reader, span.from_utc_us, span.to_utc_us, wanted), span


def newest_utc_us(reader: JournalReader) -> int:
    """Up to when the journal knows: its newest record or the collector's last sign."""
    newest, alive = reader.recent(1), reader.alive()
    return max(newest[0].utc_us if newest else 0, alive.utc_us if alive else 0)


def _table(activations: Sequence[Activation], zone: ZoneInfo) -> list[str]:
    cells = [
        [
            local_time(one.began_utc_us, zone), one.priority, one.subject,
            ("?" if one.unknown_s else "") + duration(one.known_s)
            + ("+" if one.open else ""),
            one.acknowledged_by or "-", _explained(one),
        ]
        for one in activations
    ]  # fmt: skip
    headings = ("began", "priority", "alarm", "stood", "seen by", "told")
    lines = table(headings, cells, frozenset({0, 3}))
    notes = ["told: whether its cause and the action are written down; --json has the words"]
    notes.append("lengths are clipped to the time asked for")
    if any(one.open for one in activations):
        notes.append("+ still stands")
    if any(one.unknown_s for one in activations):
        notes.append("? for part of the time nobody knew; --csv and --json have the bounds")
    return [*lines, "", *notes]


def _explained(one: Activation) -> str:
    """Which of cause and action are written down."""
    return {(True, True): "both", (True, False): "cause", (False, True): "action"}.get(
        (bool(one.cause), bool(one.corrective_action)), "neither"
    )
