"""Totals of hours, plant days and months as the journal has them.

Of several totals of one period the newest counts: a later one was told because more had become
known, or because the past was derived again. Those before it are superseded, not gone.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, replace

from collector.core.catalogue import unit_of_total
from collector.core.records import Record, RecordKind
from collector.journal.reader import JournalReader
from collector.reports.eras import ALL, EVER_US, Eras

KNOWN = re.compile(r"([0-9.]+) % of the period known")


@dataclass(frozen=True, slots=True)
class TotalLine:
    """What one period saw of one quantity, in the unit people read.

    Args:
        begin_utc_us: begin of the period as it was dated.
        known_percent: how much of the period is known.
        number: of the record in the journal.
        recomputed: derived again later.
        superseded: a newer one of the same period counts.
    """

    equipment: str
    quantity: str
    period: str
    begin_utc_us: int
    value: float | None
    low: float | None
    high: float | None
    unit: str
    known_percent: float
    quality: str
    reason: str
    number: int
    recomputed: bool
    superseded: bool = False


def read_totals(
    reader: JournalReader,
    eras: Eras,
    period: str,
    from_utc_us: int,
    to_utc_us: int,
    quantities: Collection[str] | None = None,
    equipment: Collection[str] = (),
    every: bool = False,
) -> list[TotalLine]:
    """The totals of periods that begin in a span of time, in order of period and equipment.

    Args:
        period: hour, day or month.
        from_utc_us, to_utc_us: the span; its end is not part of it.
        quantities: only these, None for all.
        equipment: only these, none for all.
        every: with those that are superseded, each before what supersedes it.
    """
    found: list[TotalLine] = []
    for _, subject in reader.latest((RecordKind.TOTAL,)):
        owner, quantity, of = subject.split(".")
        if (
            of == period
            and (quantities is None or quantity in quantities)
            and (not equipment or owner in equipment)
        ):
            earliest_us = eras.earliest_plant_us(from_utc_us)
            records = reader.history(subject, earliest_us, EVER_US, ALL)
            found += [
                line
                for line in _lines(records, eras)
                if from_utc_us <= line.begin_utc_us < to_utc_us and (every or not line.superseded)
            ]
    found.sort(key=lambda line: (line.begin_utc_us, line.equipment, line.quantity, line.number))
    return found


def _lines(records: list[Record], eras: Eras) -> list[TotalLine]:
    newest = {record.after_us: record.sequence for record in records}
    return [
        replace(_line(record, eras), superseded=newest[record.after_us] != record.sequence)
        for record in records
    ]


def _line(record: Record, eras: Eras) -> TotalLine:
    equipment, quantity, period = record.subject.split(".")
    unit = unit_of_total(record.subject)
    value = record.value if isinstance(record.value, int | float) else None
    known = KNOWN.search(record.reason)
    return TotalLine(
        equipment, quantity, period, eras.wall_us(record.after_us),
        None if value is None else unit.from_si(float(value)),
        None if record.low is None else unit.from_si(record.low),
        None if record.high is None else unit.from_si(record.high),
        unit.code, float(known[1]) if known else 100.0,
        record.quality.word, record.reason, record.sequence, record.recomputed,
    )  # fmt: skip
