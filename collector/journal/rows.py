"""How a record becomes a row and a row a record, both fast, because both are hot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from collector.core.records import Quality, Record, RecordKind, Value
from collector.errors import Bug

Row = tuple[Any, ...]
COLUMNS = "sequence, subject, at_us, bracket_us, marks, value, reason, low, high"
QUALITIES = tuple(Quality)
KINDS = {int(kind): kind for kind in RecordKind}
INT64 = 1 << 63
LONGEST_SHARED_REASON = 60
MOST_SHARED_REASONS = 2_000


def check(record: Record) -> None:
    """Refuse what the journal could not give back as it was.

    Raises:
        Bug: not a number, text that is no Unicode, a time beyond 64 bits.
    """
    value = record.value
    if value != value or record.low != record.low or record.high != record.high:
        raise Bug(f"a record of {record.subject} carries NaN; an unknown value is None")
    plain = record.subject.isascii() and record.reason.isascii()
    if not plain or isinstance(value, str):
        _check_text(record)
    at_us = record.at_us
    if not (
        -INT64 <= at_us < INT64
        and -INT64 <= at_us - record.after_us < INT64
        and -INT64 <= record.utc_us - at_us < INT64
    ):
        raise Bug(f"a record of {record.subject} is dated beyond 64 bits")


def _check_text(record: Record) -> None:
    for text in (record.value, record.subject, record.reason):
        if isinstance(text, str):
            try:
                text.encode()
            except UnicodeEncodeError as error:
                raise Bug(
                    f"a record of {record.subject!r} carries text that is no Unicode"
                ) from error


def stored(value: Value) -> Value | bytes:
    """A value as SQLite keeps it; integers beyond 64 bits as their digits."""
    if value.__class__ is int and not -INT64 <= value < INT64:
        return str(value).encode("ascii")
    return value


def restored(value: Any, marks: int) -> Value:
    """The value behind a stored one that is a bool or a blob."""
    if marks & 1:
        return bool(value)
    return int(value)


def row(sequence: int, record: Record, subject: int, reason: int | str) -> Row:
    """The row of a record."""
    value = record.value
    kind = value.__class__
    return (
        sequence,
        subject,
        record.at_us,
        record.at_us - record.after_us,
        2 * record.quality + (kind is bool),
        stored(value) if kind is int else value,
        reason,
        record.low,
        record.high,
    )


def numbered(records: Sequence[Record], first: int) -> list[Record]:
    """The same records with their numbers."""
    return [
        Record(
            r.kind, r.subject, r.at_us, r.utc_us, r.after_us, r.value, r.quality, r.reason,
            r.low, r.high, sequence,
        )
        for sequence, r in enumerate(records, first)
    ]  # fmt: skip


def records(
    rows: Sequence[Row],
    subjects: dict[int, tuple[RecordKind, str]],
    reasons: dict[int, str],
    era_of: Callable[[int], tuple[int, int, int]],
) -> list[Record]:
    """The records of rows in rising or falling order of sequence.

    Args:
        rows: with ``COLUMNS``.
        subjects, reasons: what the numbers in them stand for.
        era_of: for a sequence, the first one of its era, the first of the next, and wall time
            minus plant time in between.
    """
    out: list[Record] = []
    first = following = offset = 0
    for sequence, subject, at_us, bracket_us, marks, value, reason, low, high in rows:
        if not first <= sequence < following:
            first, following, offset = era_of(sequence)
        kind, name = subjects[subject]
        out.append(
            Record(
                kind,
                name,
                at_us,
                at_us + offset,
                at_us - bracket_us,
                restored(value, marks) if marks & 1 or value.__class__ is bytes else value,
                QUALITIES[marks >> 1],
                reasons[reason] if reason.__class__ is int else reason,
                low,
                high,
                sequence,
            )
        )
    return out
