"""Activations of alarms in a period of time, from the audited record.

All lengths are clipped to the asked period. While an input of its condition was unknown, or the
collector stopped, nobody knew whether an alarm still stood: that time counts as unknown and gives
the length its bounds. An alarm that nobody saw clear stands.

The record is read once, from its begin, and only what belongs to the alarms asked for is opened.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from collector.audit.chain import AUDITED
from collector.core.records import Record, RecordKind
from collector.journal.reader import JournalReader
from collector.reports.alarm_drafts import Draft, Period, drafted, follow, noted
from collector.reports.alarm_performance import chatters
from collector.reports.alarm_rows import Activation
from collector.reports.audited import Told, audited, no_search_for_garbage, told_by
from collector.reports.eras import Eras

KINDS = AUDITED


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which alarms are asked for; an empty set is all.

    Args:
        equipment: equipment, panels or ``collector``.
        priorities: ``low``, ``medium``, ``high``.
        rules: names of rules.
        subjects: ``equipment.rule``.
    """

    equipment: frozenset[str] = frozenset()
    priorities: frozenset[str] = frozenset()
    rules: frozenset[str] = frozenset()
    subjects: frozenset[str] = frozenset()

    def takes(self, subject: str) -> bool:
        """Whether an alarm is meant, its priority aside."""
        equipment, _, rule = subject.rpartition(".")
        return (
            (not self.subjects or subject in self.subjects)
            and (not self.equipment or equipment in self.equipment)
            and (not self.rules or rule in self.rules)
        )


@dataclass(frozen=True, slots=True)
class Gap:
    """A time in which a panel was not watched, and why.

    Args:
        panel: its name.
        from_utc_us: when it was last heard.
        to_utc_us: when it answered again; None where it has not yet.
    """

    panel: str
    from_utc_us: int
    to_utc_us: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class History:
    """What a period saw.

    Args:
        from_utc_us, to_utc_us: the period; its end is not part of it.
        known_until_utc_us: up to when the collector watched; what comes after is unknown.
        began_utc_us: date of the first audited record; before it nothing is known. None where
            there is none.
        activations: in the order in which they began.
        gaps: of panels, in the order in which they began.
    """

    from_utc_us: int
    to_utc_us: int
    known_until_utc_us: int
    began_utc_us: int | None
    activations: tuple[Activation, ...]
    gaps: tuple[Gap, ...]


def read_history(
    reader: JournalReader,
    from_utc_us: int,
    to_utc_us: int,
    wanted: Wanted = Wanted(),
    now_utc_us: int | None = None,
) -> History:
    """What a period saw, from the journal.

    Args:
        reader: of the journal.
        from_utc_us, to_utc_us: the period; its end is not part of it.
        wanted: which alarms.
        now_utc_us: what has not come yet is not part of it either; None for the newest sign.
    """
    alive = reader.alive()
    newest = reader.recent(1)
    signs_us = [newest[0].utc_us] if newest else [0]
    if alive is not None:
        signs_us.append(alive.utc_us)
    known_us = max(signs_us)
    to_us = min(to_utc_us, max(known_us, now_utc_us or 0) + 1)
    return history_of(audited(reader), from_utc_us, to_us, known_us, wanted)


def build_history(
    records: Iterable[Record],
    from_utc_us: int,
    to_utc_us: int,
    known_until_utc_us: int,
    wanted: Wanted = Wanted(),
) -> History:
    """What a period saw, from records.

    Args:
        records: in order, from the first one on; other kinds than ``KINDS`` are passed over.
        from_utc_us, to_utc_us: the period; its end is not part of it.
        known_until_utc_us: the last sign of the collector.
        wanted: which alarms.
    """
    told = (told_by(record) for record in records if record.kind in KINDS)
    return history_of(told, from_utc_us, to_utc_us, known_until_utc_us, wanted)


def history_of(
    everything: Iterable[Told],
    from_utc_us: int,
    to_utc_us: int,
    known_until_utc_us: int,
    wanted: Wanted = Wanted(),
) -> History:
    """The same from the audited record, opened; see ``build_history``."""
    past = _Past(wanted)
    with no_search_for_garbage():
        for told in everything:
            past.take(told)
        return past.history(from_utc_us, to_utc_us, known_until_utc_us)


class _Past:
    """Takes records in order and keeps what activations they make."""

    def __init__(self, wanted: Wanted) -> None:
        self._wanted = wanted
        self._takes: dict[str, bool] = {}
        self._drafts: dict[tuple[str, int], Draft] = {}
        self._latest: dict[str, Draft] = {}
        self._gaps: list[Gap] = []
        self._gap_of: dict[str, int] = {}
        self._era_begins_us: list[int] = []
        self._offsets_us: list[int] = []
        self._began_utc_us: int | None = None
        self._led: set[str] = set()  # first of a burst of which others are not asked for

    def take(self, told: Told) -> None:
        offset_us = told.utc_us - told.at_us
        if not self._offsets_us:
            self._offsets_us.append(offset_us)
            self._began_utc_us = told.utc_us
        elif offset_us != self._offsets_us[-1]:
            self._offsets_us.append(offset_us)
            self._era_begins_us.append(told.at_us)
        if told.kind is RecordKind.ALARM:
            if self._means(told.subject):
                self._alarm(told)
            elif "follows" in told.details:
                self._led.add(told.details["follows"])
        elif told.kind is RecordKind.ACTION:
            if told.subject in self._latest:
                self._action(told)
        elif told.kind is RecordKind.PANEL_LOST:
            if told.subject not in self._gap_of:
                self._gap_of[told.subject] = len(self._gaps)
                began_us = told.after_us + offset_us
                self._gaps.append(Gap(told.subject, began_us, None, told.reason))
        elif told.kind is RecordKind.PANEL_RETURNED:
            place = self._gap_of.pop(told.subject, None)
            if place is not None:
                self._gaps[place] = replace(self._gaps[place], to_utc_us=told.utc_us)

    def _means(self, subject: str) -> bool:
        found = self._takes.get(subject)
        if found is None:
            found = self._takes[subject] = self._wanted.takes(subject)
        return found

    def _alarm(self, told: Told) -> None:
        number = told.details["activation"]
        key = (told.subject, number)
        draft = self._drafts.get(key)
        if draft is None and number:
            draft = self._drafts[key] = self._latest[told.subject] = drafted(told)
        if draft is not None:
            follow(draft, told)

    def _action(self, told: Told) -> None:
        details = told.details
        if details.get("verb") != "note" or details.get("refused"):
            return
        draft = self._latest[told.subject]
        number = details.get("activation")
        if number is not None:
            draft = self._drafts.get((told.subject, number), draft)
        draft.notes.append(noted(told))

    def history(self, from_utc_us: int, to_utc_us: int, known_until_utc_us: int) -> History:
        """What a period saw of what was taken."""
        eras = Eras(tuple(self._era_begins_us), tuple(self._offsets_us or [0]))
        self._mark()
        period = Period(
            eras, eras.plant_us(from_utc_us), eras.plant_us(to_utc_us),
            eras.plant_us(known_until_utc_us),
        )  # fmt: skip
        priorities = self._wanted.priorities
        found = [
            period.activation(draft)
            for draft in self._drafts.values()
            if period.saw(draft) and (not priorities or draft.priority in priorities)
        ]
        found.sort(key=lambda one: (one.began_utc_us, one.subject))
        gaps = (
            gap
            for gap in self._gaps
            if gap.from_utc_us < to_utc_us
            and (gap.to_utc_us is None or gap.to_utc_us >= from_utc_us)
        )
        return History(
            from_utc_us, to_utc_us, known_until_utc_us, self._began_utc_us, tuple(found),
            tuple(gaps),
        )  # fmt: skip

    def _mark(self) -> None:
        """Mark who chattered and who came first."""
        led = self._led | {draft.follows for draft in self._drafts.values()}
        of_subject: dict[str, list[Draft]] = {}
        for draft in self._drafts.values():
            draft.first_out = f"{draft.subject}#{draft.number}" in led
            of_subject.setdefault(draft.subject, []).append(draft)
        for drafts in of_subject.values():
            for place in chatters([draft.began_us for draft in drafts]):
                drafts[place].chattering = True
