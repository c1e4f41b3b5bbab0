"""Reads what charts show from the journal: contacts, figures and days of a time.

What a time begins with is the newest record before it. From the loss of a panel to its return
nothing of it is known; nor is anything after the collector's last sign.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property

from collector.charts.shapes import Bar, Sample, Span, Stretch
from collector.core.calendar import begin_of, end_of
from collector.core.catalogue import Catalogue
from collector.core.records import Quality, Record, RecordKind
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.eras import ALL, Eras, read_eras
from collector.reports.totals import TotalLine, read_totals
from collector.reports.view_parts import Present

MOST_SAMPLES = 900
"""A line has at most about so many points: more than a chart has pixels nobody can see."""


class Past:
    """The journal within a time.

    Args:
        reader: of the journal.
        plant: the plant file in force.
        span: the time.
    """

    def __init__(self, reader: JournalReader, plant: Plant, span: Span) -> None:
        self.reader = reader
        self.plant = plant
        self.span = span
        self.catalogue = Catalogue(plant)
        self.present = Present(plant, {})
        alive, newest = reader.alive(), reader.recent(1)
        signs = [alive.utc_us] if alive else []
        signs += [newest[0].utc_us] if newest else []
        self.until_utc_us = min(span.to_utc_us, max(signs, default=span.from_utc_us))

    @cached_property
    def eras(self) -> Eras:
        """Which plant time had which date."""
        return read_eras(self.reader)

    @cached_property
    def _before(self) -> dict[tuple[RecordKind, str], Record]:
        """The newest record of each subject before the time begins."""
        at = self.reader.sequence_at(self.eras.plant_us(self.span.from_utc_us))
        return self.reader.latest(before=at)

    def records(self, kind: RecordKind, subject: str) -> list[Record]:
        """The record the time begins with, and those within it."""
        first = self._before.get((kind, subject))
        within = self.reader.history_by_utc(subject, self.span.from_utc_us, self.until_utc_us, ALL)
        found = [record for record in within if record.kind is kind]
        if first is not None and (not found or first.sequence < found[0].sequence):
            found.insert(0, first)
        return found

    @cached_property
    def _began_utc_us(self) -> int:
        """The first record there is; before it nothing is known."""
        first = self.reader.records_after(self.reader.first() - 1, 1)
        return first[0].utc_us if first else self.span.to_utc_us

    # --- what is not known ----------------------------------------------------------------------

    def unknown(self, panels: Iterable[str]) -> list[Stretch]:
        """When any of some panels was not known, cut to the time, in order."""
        found = [each for panel in panels for each in self._lost(panel)]
        found.append(self._cut(self.span.from_utc_us, self._began_utc_us))
        found.append(self._cut(self.until_utc_us, self.span.to_utc_us))
        return joined(each for each in found if each.from_utc_us < each.to_utc_us)

    def _lost(self, panel: str) -> list[Stretch]:
        moves = self.records(RecordKind.PANEL_LOST, panel)
        moves += self.records(RecordKind.PANEL_RETURNED, panel)
        moves.sort(key=lambda record: record.sequence)
        found: list[Stretch] = []
        lost_us: int | None = None
        for record in moves:
            if record.kind is RecordKind.PANEL_LOST:
                if lost_us is None:
                    lost_us = record.utc_us - (record.at_us - record.after_us)
            elif lost_us is not None:
                found.append(self._cut(lost_us, record.utc_us))
                lost_us = None
        if lost_us is not None:
            found.append(self._cut(lost_us, self.span.to_utc_us))
        return found

    def _cut(self, from_us: int, to_us: int) -> Stretch:
        return Stretch(max(from_us, self.span.from_utc_us), min(to_us, self.span.to_utc_us), None)

    # --- contacts -------------------------------------------------------------------------------

    def contact(self, point: str) -> list[Stretch]:
        """When a contact was made and when nobody knows, cut to the time, in order."""
        found: list[Stretch] = []
        since_us, made = self.span.from_utc_us, None
        for record in self.records(RecordKind.POINT, point):
            at_us = record.utc_us - (record.at_us - record.after_us) // 2
            at_us = min(max(at_us, self.span.from_utc_us), self.until_utc_us)
            if made is not False and at_us > since_us:
                found.append(Stretch(since_us, at_us, made))
            since_us = at_us
            made = None if record.quality is Quality.BAD else bool(record.value)
        if made is not False and self.until_utc_us > since_us:
            found.append(Stretch(since_us, self.until_utc_us, made))
        return without(found, self.unknown((point.partition(".")[0],)))

    # --- figures --------------------------------------------------------------------------------

    def figures(self, subject: str, kind: RecordKind = RecordKind.DERIVED) -> list[Sample]:
        """A quantity or reading over time, in the unit people read; thinned to what can be seen."""
        samples: list[Sample] = []
        for record in self.records(kind, subject):
            shown = self.catalogue.shown(record)
            known = isinstance(shown.value, int | float) and record.quality is not Quality.BAD
            utc_us = max(record.utc_us, self.span.from_utc_us)
            value = float(shown.value) if known and isinstance(shown.value, int | float) else None
            samples.append(Sample(utc_us, value, shown.low if known else None,
                                  shown.high if known else None))  # fmt: skip
        owner = subject.partition(".")[0]
        panels = {owner} if kind is RecordKind.POINT else self.panels_of(owner)
        for gap in self.unknown(panels):
            samples.append(Sample(gap.from_utc_us, None))
        samples.sort(key=lambda each: each.utc_us)
        return thinned(samples, self.span)

    def panels_of(self, owner: str) -> frozenset[str]:
        """The panels some equipment is known by."""
        return self.present.panels_of(owner) if owner in self.plant.equipment else frozenset()

    # --- days -----------------------------------------------------------------------------------

    def totals(self, quantity: str, equipment: str, period: str = "day") -> list[TotalLine]:
        """What each hour or plant day saw of a quantity, the one the time begins in included."""
        first_us = begin_of(period, self.span.from_utc_us, self.span.zone)
        found = read_totals(
            self.reader, self.eras, period, first_us, self.span.to_utc_us, (quantity,),
            (equipment,),
        )  # fmt: skip
        return [line for line in found if not line.superseded]

    def days(self, quantity: str, equipment: str) -> list[Bar]:
        """A bar for each whole plant day; one of which nothing is told saw nothing, if watched."""
        told = {line.begin_utc_us: line for line in self.totals(quantity, equipment)}
        gaps = self.unknown(self.panels_of(equipment))
        zone, at = self.span.zone, begin_of("day", self.span.from_utc_us, self.span.zone)
        found = []
        while at < self.until_utc_us:
            ends = end_of("day", at, zone)
            line = told.get(at)
            if line is not None:
                found.append(Bar(at, line.value, line.low, line.high))
            elif ends <= self.until_utc_us:
                found.append(Bar(at, None if _covered(gaps, at, ends) else 0.0))
            at = ends
        return found


def _covered(gaps: Sequence[Stretch], from_us: int, to_us: int) -> bool:
    return any(gap.from_utc_us <= from_us and gap.to_utc_us >= to_us for gap in gaps)


def joined(stretches: Iterable[Stretch]) -> list[Stretch]:
    """Unknown stretches in order, those that touch as one."""
    found: list[Stretch] = []
    for each in sorted(stretches, key=lambda one: one.from_utc_us):
        if found and each.from_utc_us <= found[-1].to_utc_us:
            last = found.pop()
            each = Stretch(last.from_utc_us, max(last.to_utc_us, each.to_utc_us), None)
        found.append(each)
    return found


def without(stretches: Iterable[Stretch], gaps: Sequence[Stretch]) -> list[Stretch]:
    """Stretches with gaps cut out of those that are made, and the gaps themselves, in order."""
    found = list(gaps)
    for each in stretches:
        begin = each.from_utc_us
        for gap in gaps:
            if gap.to_utc_us <= begin or gap.from_utc_us >= each.to_utc_us:
                continue
            if gap.from_utc_us > begin:
                found.append(Stretch(begin, gap.from_utc_us, each.made))
            begin = gap.to_utc_us
        if begin < each.to_utc_us:
            found.append(Stretch(begin, each.to_utc_us, each.made))
    return sorted(found, key=lambda one: one.from_utc_us)


def thinned(samples: Sequence[Sample], span: Span) -> list[Sample]:
    """At most some hundred samples: of each pixel the first, least, greatest and last."""
    if len(samples) <= MOST_SAMPLES:
        return list(samples)
    width_us = max(1, (span.to_utc_us - span.from_utc_us) * 4 // MOST_SAMPLES)
    pixels: dict[int, list[Sample]] = {}
    for each in samples:
        pixels.setdefault((each.utc_us - span.from_utc_us) // width_us, []).append(each)
    found: list[Sample] = []
    for within in pixels.values():
        known = [each for each in within if each.value is not None]
        kept = {id(within[0]): within[0], id(within[-1]): within[-1]}
        if known:
            for pick in (min, max):
                one = pick(known, key=lambda each: each.value or 0.0)
                kept[id(one)] = one
        unknown = next((each for each in within if each.value is None), None)
        if unknown is not None:
            kept[id(unknown)] = unknown
        found += sorted(kept.values(), key=lambda each: each.utc_us)
    return found
