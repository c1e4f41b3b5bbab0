"""One row a record: the columns of an export, and how a record fills them.

Values and bounds are in the unit people read, which stands beside them as its UCUM code. A contact
is 1 or 0 with its word; what is no figure stands as text; a figure that is not known is missing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from collector.core.catalogue import Catalogue
from collector.core.records import Record, RecordKind
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.eras import Eras, read_eras

PAGE = 5_000


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


def rows_of(reader: JournalReader, plant: Plant, selection: Selection) -> Iterator[list[Row]]:
    """The rows of a selection, a page at a time, in the order of the journal."""
    eras = read_eras(reader)
    catalogue = Catalogue(plant)
    journal = reader.journal_id
    wanted = {
        (kind, subject)
        for kind, subject in reader.latest()
        if selection.takes(kind, subject)
    }  # fmt: skip
    kinds: Collection[RecordKind] = {kind for kind, _ in wanted}
    from_us = eras.earliest_plant_us(selection.from_utc_us)
    sequence = reader.sequence_at(from_us) - 1
    name = plant.plant.name
    while page := reader.records_after(sequence, PAGE, None if len(kinds) > 6 else kinds):
        sequence = page[-1].sequence
        found = [
            row_of(record, name, journal, catalogue, eras)
            for record in page
            if (record.kind, record.subject) in wanted
            and selection.from_utc_us <= record.utc_us < selection.to_utc_us
        ]
        if found:
            yield found
        if min(record.utc_us for record in page) >= selection.to_utc_us and _settled(eras):
            return


def _settled(eras: Eras) -> bool:
    """Whether dates only grow, since the wall clock was never stepped."""
    return not eras.begins_us


def row_of(record: Record, plant: str, journal: str, catalogue: Catalogue, eras: Eras) -> Row:
    """The row of a record."""
    shown = catalogue.shown(record)
    value: float | None = None
    text: str | None = None
    found = shown.value
    if isinstance(found, bool):
        value, text = float(found), shown.text
    elif isinstance(found, int | float):
        value = float(found)
        if shown.word is not None:
            text = shown.word
        elif isinstance(found, int) and int(value) != found:
            text = str(found)  # a float does not hold all its digits
    elif found is not None:
        text = str(found)
    owner, _, rest = record.subject.partition(".")
    begin = record.utc_us - (record.at_us - record.after_us)
    if eras.begins_us:
        begin = eras.wall_us(record.after_us)
    return Row(
        plant, journal, record.sequence, record.kind.word, record.subject, owner, rest,
        record.utc_us, begin, value, text, shown.unit.code if value is not None else "",
        shown.low, shown.high, record.quality.word, record.reason,
    )  # fmt: skip
