"""The audited alarm history as somebody outside reads it: CSV, and rows for the printed page.

One row tells one activation, with the columns that California's 22 CCR 60329 asks of the separate
record of alarm-triggering failures: time, cause, corrective action (read), and how long it lasted.
Nothing that is not known is left blank in silence: what nobody wrote down says "missing", what
nobody saw says "unknown", and every export tells what it covers and what it cannot know.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.core.calendar import local
from collector.reports.alarm_history import History
from collector.reports.alarm_rows import Activation, Note

MISSING = "missing"
STANDS = "stands"
FORMULA_BEGINS = frozenset("=+-@\t\r")
GUARD = (
    "an apostrophe stands before a text that a spreadsheet would take for a formula: one that "
    "begins with = + - @, a tab or a carriage return"
)
COLUMNS = (
    "row", "began", "began_not_before", "ended", "duration_s", "duration_at_least_s",
    "duration_at_most_s", "priority", "equipment", "rule", "activation", "title", "cause",
    "corrective_action", "acknowledged", "acknowledged_by", "notes", "unknown_spans", "first_out",
    "follows", "covered", "text",
)  # fmt: skip
"""``row`` says what a row is: ``alarm``; ``gap``, with the panel as equipment; ``to complete``, an
activation that lacks its cause or action; ``covers`` and ``cannot know``, with a ``text`` each."""


@dataclass(frozen=True, slots=True)
class Covered:
    """What an export covers, beside the history itself.

    Args:
        plant: title of the plant.
        zone: the plant's time zone.
        program: name and version of what made the export.
        made_utc_us: when it was made.
        configurations: what was in force and its hash, for instance ``("plant", "3f..")``.
        first_number, last_number: the entries of the audited record that were there; 0 if none.
        chain_hash: of the last one, in hex.
        signed: the newest signed head, in words; empty if there is none.
    """

    plant: str
    zone: ZoneInfo
    program: str
    made_utc_us: int
    configurations: Sequence[tuple[str, str]]
    first_number: int
    last_number: int
    chain_hash: str
    signed: str


def dated(utc_us: int, zone: ZoneInfo) -> str:
    """An instant with the plant's offset, to the second (RFC 3339)."""
    return local(utc_us - utc_us % 1_000_000, zone).isoformat()


def covers(history: History, covered: Covered) -> list[str]:
    """What an export covers, a sentence each."""
    zone = covered.zone
    period = f"{dated(history.from_utc_us, zone)} to {dated(history.to_utc_us, zone)}"
    lines = [
        f"plant: {covered.plant}",
        f"period: {period}, the end not included; durations are clipped to it",
        f"time zone: {zone.key}",
        f"alarms: {len(history.activations)}; gaps of panels: {len(history.gaps)}",
    ]
    lines += [f"in force, {what}: {digest}" for what, digest in covered.configurations]
    if covered.last_number:
        numbers = f"entries {covered.first_number} to {covered.last_number}"
        lines.append(f"audited record: {numbers}, hash of the last {covered.chain_hash}")
    else:
        lines.append("audited record: none yet")
    lines.append(covered.signed or "signed head: none")
    lines.append(f"made {dated(covered.made_utc_us, zone)} by {covered.program}")
    return lines


def cannot_know(history: History, covered: Covered) -> list[str]:
    """What an export cannot know, a sentence each."""
    zone = covered.zone
    lines = []
    if history.began_utc_us is None or history.began_utc_us > history.from_utc_us:
        since = (
            "" if history.began_utc_us is None else f"before {dated(history.began_utc_us, zone)} "
        )
        lines.append(f"{since}nothing was recorded")
    if history.known_until_utc_us + 1 < history.to_utc_us:
        lines.append(f"after {dated(history.known_until_utc_us, zone)} nobody watched")
    if history.gaps:
        lines.append("what began and ended within a gap was not seen")
    lines += [
        "panels are read in scans: what came and went between two scans was not seen",
        "only what panels tell is known; a broken float or contact tells nothing",
        "causes and corrective actions are what people wrote, under the names they gave",
        "dates are those of the computer's clock at the time",
        "entries after the last signed head could be replaced by whoever has the journal"
        if covered.signed
        else "no head is signed: whoever has the journal could have replaced all of it",
    ]
    return lines


def lacking(activation: Activation) -> list[str]:
    """Which of cause and corrective action nobody wrote down."""
    said = (("cause", activation.cause), ("corrective action", activation.corrective_action))
    return [what for what, text in said if not text]


def note_text(note: Note, zone: ZoneInfo) -> str:
    """A note in one line, with who wrote it and when."""
    said = (
        ("cause", note.cause), ("corrective action", note.corrective_action), ("", note.comment),
    )  # fmt: skip
    words = "; ".join(f"{what}: {text}" if what else text for what, text in said if text)
    return f"{dated(note.utc_us, zone)} {note.actor}: {words}"


def spans_text(activation: Activation, zone: ZoneInfo) -> str:
    """From when until when nobody knew whether it stood."""
    spans = activation.unknown_spans
    return "; ".join(f"{dated(since, zone)} to {dated(until, zone)}" for since, until in spans)


def csv_export(history: History, covered: Covered) -> str:
    """The history as CSV. Source: RFC 4180, with its CRLF; every row has every column.

    Args:
        history: what the period saw.
        covered: what the export covers.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows(_rows(history, covered))
    return out.getvalue()


def inert(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe stands before such a one."""
    return f"'{text}" if text[:1] in FORMULA_BEGINS else text


def _rows(history: History, covered: Covered) -> Iterator[Sequence[str]]:
    zone = covered.zone
    for activation in history.activations:
        yield _alarm(activation, zone)
    for gap in history.gaps:
        ended = STANDS if gap.to_utc_us is None else dated(gap.to_utc_us, zone)
        yield _row(
            "gap", gap.reason, began=dated(gap.from_utc_us, zone), ended=ended, equipment=gap.panel
        )
    for activation in history.activations:
        if missing := lacking(activation):
            yield _row(
                "to complete", " and ".join(missing), began=dated(activation.began_utc_us, zone),
                equipment=activation.equipment, rule=activation.rule,
                activation=str(activation.activation),
            )  # fmt: skip
    yield from (_row("covers", text) for text in (*covers(history, covered), GUARD))
    yield from (_row("cannot know", text) for text in cannot_know(history, covered))


def _row(row: str, text: str, **cells: str) -> Sequence[str]:
    cells = {**cells, "row": row, "text": inert(text)}
    return [cells.get(column, "") for column in COLUMNS]


def _alarm(one: Activation, zone: ZoneInfo) -> Sequence[str]:
    """The cells of an activation, in the order of ``COLUMNS``; there are many of these."""
    seen = one.acknowledged_utc_us
    began = dated(one.began_utc_us, zone)
    return (
        "alarm",
        began,
        began
        if one.began_after_utc_us == one.began_utc_us
        else dated(one.began_after_utc_us, zone),
        STANDS if one.ended_utc_us is None else dated(one.ended_utc_us, zone),
        "unknown" if one.unknown_s else f"{one.known_s:.3f}",
        f"{one.low_s:.3f}",
        f"{one.high_s:.3f}",
        one.priority,
        one.equipment,
        one.rule,
        str(one.activation),
        inert(one.title),
        inert(one.cause or MISSING),
        inert(one.corrective_action or MISSING),
        "" if seen is None else dated(seen, zone),
        inert(one.acknowledged_by or ""),
        " | ".join(note_text(note, zone) for note in one.notes),
        spans_text(one, zone) if one.unknown_spans else "",
        "yes" if one.first_out else "no",
        one.follows,
        "yes" if one.covered else "no",
        "",
    )
