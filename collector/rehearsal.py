"""Trying alarm rules on the past, before they are put in force.

The desk that watches is fed with what the journal has of a time: what was seen then and what the
engine concluded then, in the order in which it was told. Nothing is derived again, so a rule that
uses a quantity nobody derived then cannot be tried, and is named.

What people did is left out: it answered other alarms. So every alarm that clears has come and gone
unacknowledged, and none is shelved or out of service.

A desk that begins in the middle knows what the journal says of that instant. It begins so long
before the time asked for that every delay and window of the rules lies within what it has seen,
where the journal reaches back so far.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from collector.core.alarms.desk import AlarmDesk
from collector.core.alarms.rule import AlarmRule, Happens, Missing
from collector.core.alarms.wire import alarm_text
from collector.core.own_points import COLLECTOR
from collector.core.pipeline import input_of
from collector.core.quantities import QUANTITIES
from collector.core.records import (
    AlarmMoved,
    ClockStepped,
    Derived,
    Finding,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Record,
    RecordKind,
)
from collector.errors import JournalError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.plant_file import PlantFile
from collector.plant_history import InForce, plant_files
from collector.reports.alarm_history import History, build_history
from collector.reports.eras import Eras
from collector.rulebook.load import parse_rules, read_rules

PAGE = 10_000
HOUR_US = 3_600_000_000
INPUTS = frozenset(
    {RecordKind.POINT, RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED, RecordKind.CLOCK}
)
CONCLUSIONS = frozenset({RecordKind.DERIVED, RecordKind.FINDING})
KINDS = (*INPUTS, *CONCLUSIONS)
PANELS = frozenset({RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED, RecordKind.CLOCK})


@dataclass(slots=True)
class Rehearsed:
    """What rules would have done.

    Args:
        history: activations of the time asked for.
        rules: how many rules were bound.
        records: how many records of the journal were taken.
        untried: for each rule that could not be tried, the names nothing is on record of.
        begun_us: plant time at which the desk began.
    """

    history: History
    rules: int
    records: int
    untried: dict[str, tuple[str, ...]] = field(default_factory=dict)
    begun_us: int = 0


def rehearse(
    reader: JournalReader,
    eras: Eras,
    span_utc_us: tuple[int, int],
    paths: Sequence[Path],
    corrected: PlantFile | None = None,
    progress: Callable[[int], None] | None = None,
) -> Rehearsed:
    """Run rule files against a time of the journal.

    Args:
        reader: the journal.
        eras: its steps of the wall clock.
        span_utc_us: begin and end of the time.
        paths: rule files or directories of them.
        corrected: a plant file instead of those in force then.
        progress: told now and then the date that was reached.

    Raises:
        ConfigurationError: everything that is wrong with the rules, in a plant of then.
        JournalError: nothing is on record of that time.
    """
    first = reader.records_between(reader.first(), reader.head(), 1)
    if not first:
        raise JournalError(f"the journal {reader.path} is empty")
    alive, newest = reader.alive(), reader.recent(1)[0]
    known_us = max(newest.at_us, alive.at_us if alive else 0)
    from_us, to_us = eras.plant_us(span_utc_us[0]), min(eras.plant_us(span_utc_us[1]), known_us + 1)
    if to_us <= first[0].at_us:
        raise JournalError(f"the journal {reader.path} begins after that time")
    now = plant_files(reader, from_us, from_us, corrected)
    book = read_rules(paths, now[-1].plant)
    start_us = max(from_us - _reach_us(book.alarms), first[0].at_us)
    stretches = plant_files(reader, start_us, start_us, corrected)
    stage = _Stage(reader, eras, start_us, stretches, book.files, progress)
    wall_us = eras.wall_us
    history = build_history(
        stage.records(to_us), span_utc_us[0], wall_us(to_us), wall_us(known_us)
    )  # fmt: skip
    history = replace(history, began_utc_us=wall_us(start_us))
    return Rehearsed(history, len(stage.rules), stage.taken, stage.untried(), start_us)


def _reach_us(rules: Iterable[AlarmRule]) -> int:
    """How far back what a rule says now may depend on."""
    reach_us = 0
    for rule in rules:
        window_us = 0
        if isinstance(rule.shape, Happens):
            window_us = rule.shape.within_us
        elif isinstance(rule.shape, Missing):
            window_us = rule.shape.for_us
        reach_us = max(reach_us, window_us + rule.on_delay_us + rule.off_delay_us)
    return reach_us + HOUR_US


class _Stage:
    """A desk with rules, and the journal's past going by."""

    def __init__(
        self,
        reader: JournalReader,
        eras: Eras,
        start_us: int,
        stretches: list[InForce],
        files: Sequence[tuple[str, str]],
        progress: Callable[[int], None] | None,
    ) -> None:
        self.taken = 0
        self._reader = reader
        self._eras = eras
        self._start_us = start_us
        self._files = files
        self._progress = progress
        self._waiting = stretches[1:]
        self._seen: set[str] = set()
        self._begin(stretches[0].plant)

    def _begin(self, plant: Plant) -> None:
        self._plant = plant
        self.rules = parse_rules(self._files, plant).alarms
        self._desk = AlarmDesk(
            plant, self.rules, self._eras.wall_us(self._start_us) - self._start_us
        )
        conditions = (
            condition
            for rule in self.rules
            for condition in (rule.condition, *(each.condition for each in rule.suppressions))
        )
        self._wanted = frozenset(fact for condition in conditions for fact in condition.facts)

    def untried(self) -> dict[str, tuple[str, ...]]:
        """For each rule that could not be tried, the names nothing was on record of."""
        found = {}
        for rule in self.rules:
            missing = tuple(
                fact
                for fact in rule.condition.facts
                if fact not in self._seen and _wants_telling(fact, self._plant)
            )
            if missing:
                found[rule.subject] = missing
        return found

    def records(self, to_us: int) -> Iterator[Record]:
        """Moves of alarms as records, and the clock's, up to a plant time."""
        sequence = self._reader.sequence_at(self._start_us)
        yield from self._told(self._known_at(sequence))
        waiting: Input | None = None
        concluded: list[Output] = []
        for record in self._past(sequence, to_us):
            if record.kind is RecordKind.CLOCK:
                yield record
            if record.kind in INPUTS:
                yield from self._told(self._take(waiting, concluded))
                waiting, concluded = input_of(record), []
                yield from self._change_plant(record.at_us)
                continue
            output = _output_of(record)
            if waiting is not None and record.at_us == waiting.by_us:
                concluded.append(output)
                continue
            if waiting is not None and record.at_us > waiting.by_us:
                yield from self._told(self._take(waiting, concluded))
                waiting, concluded = None, []
            # What time alone had brought stands behind the input that came next.
            yield from self._told(self._pass_time(record.at_us))
            yield from self._told(self._desk.learn([output], record.at_us))
        yield from self._told(self._take(waiting, concluded))
        yield from self._told(self._pass_time(to_us))

    def _past(self, sequence: int, to_us: int) -> Iterator[Record]:
        """Records that matter, in order; those of no use for the rules are passed over."""
        after = sequence - 1
        while page := self._reader.records_after(after, PAGE, KINDS):
            for record in page:
                if record.at_us >= to_us:
                    return
                if record.at_us < self._start_us:
                    continue
                if record.kind in PANELS or record.subject in self._wanted:
                    self.taken += 1
                    self._seen.add(record.subject)
                    yield record
            after = page[-1].sequence
            if self._progress is not None:
                self._progress(page[-1].utc_us)

    def _known_at(self, sequence: int) -> Iterator[AlarmMoved]:
        """What was known when the desk begins, as if it had just been told."""
        at_us, desk = self._start_us, self._desk
        latest = self._reader.latest(KINDS, sequence)
        outputs: list[Output] = []
        for (kind, subject), record in latest.items():
            if kind in PANELS or subject not in self._wanted:
                continue
            self._seen.add(subject)
            if kind is RecordKind.POINT:
                quality, reason = record.quality, record.reason
                point = PointChanged(subject, record.value, quality, reason, at_us, at_us)
                desk.facts.hear(point)
            else:
                outputs.append(_output_of(record))
        desk.facts.learn(outputs, at_us)
        for kind, panel in latest:
            if kind is RecordKind.PANEL_RETURNED:
                lost = latest.get((RecordKind.PANEL_LOST, panel))
                if lost is None or lost.sequence < latest[kind, panel].sequence:
                    yield from desk.take(PanelReturned(panel, at_us), [])
        yield from desk.settle(at_us)

    def _take(self, news: Input | None, concluded: Sequence[Output]) -> Iterator[AlarmMoved]:
        if news is None:
            return
        until_us = news.last_good_us if isinstance(news, PanelLost) else news.by_us
        yield from self._pass_time(min(until_us, news.by_us))
        if isinstance(news, ClockStepped):
            self._desk.offset_us = news.offset_us
        yield from self._desk.take(news, concluded)

    def _pass_time(self, at_us: int) -> Iterator[AlarmMoved]:
        due_us = self._desk.deadline_us()
        if due_us is not None and due_us <= at_us:
            for output in self._desk.wake(at_us):
                if isinstance(output, AlarmMoved):
                    yield output

    def _change_plant(self, at_us: int) -> Iterator[Record]:
        """Put the plant files in force that came until now; the state of alarms goes on."""
        while self._waiting and self._waiting[0].from_us <= at_us:
            stretch = self._waiting.pop(0)
            yield from self._told(self._pass_time(stretch.from_us))
            saved = self._desk.save()
            self._begin(stretch.plant)
            self._desk.restore(saved)
            yield from self._told(self._desk.settle(stretch.from_us))

    def _told(self, moves: Iterable[AlarmMoved]) -> Iterator[Record]:
        for move in moves:
            yield Record(
                RecordKind.ALARM, move.subject, move.by_us, self._eras.wall_us(move.by_us),
                move.after_us, alarm_text(move), move.quality,
            )  # fmt: skip


def _wants_telling(fact: str, plant: Plant) -> bool:
    """Whether a fact is unknown until it is told; a finding that was never told did not stand."""
    owner, _, name = fact.partition(".")
    panel = plant.panels.get(owner)
    is_point = owner == COLLECTOR or (panel is not None and name in panel.points)
    return is_point or name in QUANTITIES


def _output_of(record: Record) -> Derived | Finding:
    """The conclusion that a record keeps."""
    if record.kind is RecordKind.FINDING:
        return Finding(
            record.subject, record.value is not None, record.after_us, record.at_us,
            str(record.value or ""), record.quality,
        )  # fmt: skip
    return Derived(record.subject, record.value, record.quality, record.after_us)
