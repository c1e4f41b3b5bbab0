"""One row a record: the columns of an export, and how a record fills them.

Values and bounds are in the unit people read, which stands beside them as its UCUM code. A contact
is 1 or 0 with its word; what is no figure stands as text; a figure that is not known is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isfinite
from typing import NamedTuple

from collector.core.catalogue import Catalogue
from collector.core.records import Quality, Record, RecordKind
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.eras import Eras, read_eras
from collector.units import Unit

PAGE = 5_000
FEW_KINDS = 6
"""So many kinds are picked by the journal; of more, every record is looked at."""
QUALITY_WORDS = tuple(quality.word for quality in Quality)
Subject = tuple[RecordKind, str]


class Row(NamedTuple):
    """One record; instants are UTC in microseconds since 1970."""

    plant: str
    journal: str
    sequence: int
    kind: str
    subject: str
    owner: str
    name: str
    utc: int
    begin_utc: int
    value: float | None
    text: str | None
    unit: str
    low: float | None
    high: float | None
    quality: str
    reason: str


MEANS: dict[str, str] = {
    "plant": "name of the plant",
    "journal": "identity of the journal; numbers count anew in another one",
    "sequence": "number of the record; with journal it tells every record from all others",
    "kind": "what kind of record",
    "subject": "what it is about: panel.point, equipment.quantity, equipment.quantity.period, ...",
    "owner": "the panel, equipment or collector in the subject",
    "name": "the rest of the subject: point, quantity, event, rule, task",
    "utc": "when it was known, UTC, to the microsecond",
    "begin_utc": (
        "begin of the bracket: of a change the last instant at which the old value was seen, of a "
        "total the begin of its period, of a finding since when it holds"
    ),
    "value": "the figure in the unit; of a contact 1 made, 0 open; missing where it is not known",
    "text": "what is no figure: a state word, made or open, a finding, an alarm's JSON",
    "unit": "UCUM code of value, low and high",
    "low": "the truth is not below; missing where there is no bound",
    "high": "the truth is not above; missing where there is no bound",
    "quality": "good, uncertain or bad",
    "reason": "why not good, or what belongs to the record",
}
"""What each column is, in their order."""


@dataclass(frozen=True, slots=True)
class Selection:
    """Which records are wanted; an empty set is all.

    Args:
        from_utc_us, to_utc_us: by the date they were known; the end is not part of it.
        kinds: kinds of records.
        owners: panels and equipment.
        points: ``panel.point``.
        quantities: names of quantities, whatever equipment they are of.
    """

    from_utc_us: int
    to_utc_us: int
    kinds: frozenset[RecordKind] = frozenset()
    owners: frozenset[str] = frozenset()
    points: frozenset[str] = frozenset()
    quantities: frozenset[str] = frozenset()

    def takes(self, kind: RecordKind, subject: str) -> bool:
        """Whether records of a subject are wanted; points, quantities and owners add up."""
        if self.kinds and kind not in self.kinds:
            return False
        if not (self.owners or self.points or self.quantities):
            return True
        owner, _, name = subject.partition(".")
        return (
            owner in self.owners
            or (kind is RecordKind.POINT and subject in self.points)
            or name.partition(".")[0] in self.quantities
        )


def rows_of(
    reader: JournalReader, plant: Plant, selection: Selection, subjects: Iterable[Subject]
) -> Iterator[list[Row]]:
    """The rows of a selection, a page at a time, in the order of the journal.

    Args:
        reader: of the journal.
        plant: the plant file in force; units are its.
        selection: from when to when.
        subjects: those that are wanted, with their kinds.
    """
    eras = read_eras(reader)
    row = _Rows(reader.journal_id, plant, eras, subjects)
    kinds = {kind for kind, _ in row.plans}
    from_us, to_us = selection.from_utc_us, selection.to_utc_us
    sequence = reader.sequence_at(eras.earliest_plant_us(from_us)) - 1
    end = reader.sequence_past(eras.latest_plant_us(to_us))
    while page := reader.records_after(sequence, PAGE, kinds if len(kinds) <= FEW_KINDS else None):
        sequence = page[-1].sequence
        found = [
            row.of(record, plan)
            for record in page
            if from_us <= record.utc_us < to_us
            and (plan := row.plans.get((record.kind, record.subject))) is not None
        ]
        if found:
            yield found
        if sequence >= end - 1:
            return


class _Plan:
    """What the rows of one subject have in common, found once."""

    __slots__ = ("kind", "name", "owner", "unit", "words")

    def __init__(self, kind: RecordKind, subject: str) -> None:
        self.kind = kind.word
        self.owner, _, self.name = subject.partition(".")
        self.unit: Unit | None = None
        self.words: dict[bool, str] = {}


class _Rows:
    """Makes rows; ways round the catalogue keep pace, since an export is little else."""

    def __init__(self, journal: str, plant: Plant, eras: Eras, subjects: Iterable[Subject]) -> None:
        self._plant, self._journal = plant.plant.name, journal
        self._eras = eras
        self._catalogue = Catalogue(plant)
        self.plans = {subject: _Plan(*subject) for subject in subjects}

    def of(self, record: Record, plan: _Plan) -> Row:
        """The row of a record."""
        value: float | None = None
        text: str | None = None
        found = record.value
        # The unit of an event depends on whether it has a figure, that of all else on its subject.
        unit = plan.unit
        if unit is None or record.kind is RecordKind.EVENT:
            unit = plan.unit = self._catalogue.unit_of(record)
        if found.__class__ is float:
            value = unit.from_si(found)
            if not isfinite(value):
                value, text = None, repr(value)
        elif found.__class__ is bool:
            value = 1.0 if found else 0.0
            text = plan.words.get(found)
            if text is None:
                text = plan.words[found] = self._catalogue.shown(record).text
        elif found.__class__ is int:
            value, text = self._integer(record)
        else:
            text = found  # type: ignore[assignment]
        low, high = _bound(record.low, unit), _bound(record.high, unit)
        figures = value is not None or low is not None or high is not None
        after_us, utc_us = record.after_us, record.utc_us
        begin_us = utc_us - record.at_us + after_us
        if self._eras.begins_us:
            begin_us = self._eras.wall_us(after_us)
        return Row(
            self._plant, self._journal, record.sequence, plan.kind, record.subject, plan.owner,
            plan.name, utc_us, begin_us, value, text, unit.code if figures else "", low, high,
            QUALITY_WORDS[record.quality], record.reason,
        )  # fmt: skip

    def _integer(self, record: Record) -> tuple[float | None, str | None]:
        """A figure, with its word if it has one, or its digits where a float cannot hold them."""
        shown = self._catalogue.shown(record)
        assert isinstance(shown.value, int | float)
        try:
            value = float(shown.value)
        except OverflowError:
            return None, str(shown.value)
        if shown.word is None and isinstance(shown.value, int) and int(value) != shown.value:
            return value, str(shown.value)
        return value, shown.word


def _bound(bound: float | None, unit: Unit) -> float | None:
    """A bound as it is shown; an infinite one is none."""
    if bound is None:
        return None
    shown = unit.from_si(bound)
    return shown if isfinite(shown) else None
