"""Findings of a journal: each from when it began to hold until it ceased."""

from __future__ import annotations

from dataclasses import dataclass, replace

from collector.core.records import Record, RecordKind
from collector.journal.reader import JournalReader
from collector.reports.eras import Eras, read_eras

PAGE = 1_000


@dataclass(frozen=True, slots=True)
class FindingLine:
    """One finding.

    Args:
        equipment, finding: its subject.
        since_utc_us, found_utc_us: when it began to hold and when that was concluded.
        ended_utc_us: when it ceased; None while it stands.
        text: the diagnosis with its evidence.
    """

    equipment: str
    finding: str
    since_utc_us: int
    found_utc_us: int
    ended_utc_us: int | None
    quality: str
    text: str


def standing_findings(reader: JournalReader) -> list[FindingLine]:
    """What stands now, the newest first."""
    eras = read_eras(reader)
    newest = reader.latest((RecordKind.FINDING,)).values()
    lines = [_line(record, eras) for record in newest if record.value is not None]
    return sorted(lines, key=lambda line: -line.since_utc_us)


def read_findings(reader: JournalReader, from_utc_us: int, to_utc_us: int) -> list[FindingLine]:
    """What held at some moment of a time, in the order in which it began.

    Args:
        reader: of the journal.
        from_utc_us, to_utc_us: the time; its end is not part of it.
    """
    eras = read_eras(reader)
    found: list[FindingLine] = []
    open_at: dict[str, int] = {}
    sequence = 0
    while page := reader.records_after(sequence, PAGE, (RecordKind.FINDING,)):
        sequence = page[-1].sequence
        for record in page:
            if record.value is not None:
                open_at[record.subject] = len(found)
                found.append(_line(record, eras))
            elif record.subject in open_at:
                place = open_at.pop(record.subject)
                ended_us = eras.wall_us(record.after_us)
                found[place] = replace(found[place], ended_utc_us=ended_us)
    return sorted(
        (
            line
            for line in found
            if line.since_utc_us < to_utc_us
            and (line.ended_utc_us is None or line.ended_utc_us >= from_utc_us)
        ),
        key=lambda line: line.since_utc_us,
    )


def _line(record: Record, eras: Eras) -> FindingLine:
    equipment, _, finding = record.subject.rpartition(".")
    return FindingLine(
        equipment, finding, eras.wall_us(record.after_us), record.utc_us, None,
        record.quality.word, str(record.value),
    )  # fmt: skip
