"""Deriving the past again, from the changes the journal keeps.

The engine that watches is fed with the journaled inputs again, with the plant files in force then
or with a corrected one from a date on. Totals of hours, plant days and months that differ from what
is on record are written as new records, which say so and with which file. The old ones stay.

An engine that begins in the middle knows what the journal says of that instant, but its estimates
have yet to settle; so it begins some time before the span. Where the journal is no older, it
derives exactly what was derived live.

Only totals are written again. Figures and events of single instants stay as they were told, since
the journal's order is that of plant time; figures of whole days are compared (``recompute_days``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from math import isclose
from zoneinfo import ZoneInfo

from collector.core.calendar import end_of
from collector.core.engine import REPORT_PERIOD_US, Engine
from collector.core.pipeline import INPUT_KINDS, input_of
from collector.core.records import (
    COLLECTOR_STOPPED,
    RECOMPUTED,
    Derived,
    Input,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Record,
    RecordKind,
    Tick,
    Total,
)
from collector.errors import JournalError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.plant_file import PlantFile
from collector.plant_history import HASH_SHOWN, InForce, plant_files
from collector.recompute_days import DayDifference, DayFigures
from collector.reports.eras import ALL, EVER_US, Eras

PAGE = 5_000
DAY_US = 86_400_000_000
NOT_DERIVED = "no longer derived"
SAME = 1e-9  # sums in another order differ in the last of a double's digits
# Extremes are of the instants at which somebody looked, which are not on record: those made again
# lie up to a scan apart, and are told only for a corrected file.
SAMPLED = ("_least", "_greatest")
SAME_SAMPLE = 0.05


@dataclass(frozen=True, slots=True)
class Difference:
    """A total that comes out otherwise than on record, where there may have been none."""

    before: Record | None
    after: Total


@dataclass(slots=True)
class Recomputed:
    """What came out.

    Args:
        changes, totals: how many inputs were taken, how many totals of the span derived.
        differences: those that are not as on record.
        files: hash of each plant file that was used.
        days, day_differences: figures of whole days, and those that are not as on record.
    """

    changes: int = 0
    totals: int = 0
    differences: list[Difference] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    days: int = 0
    day_differences: list[DayDifference] = field(default_factory=list)


def recompute(
    reader: JournalReader,
    eras: Eras,
    from_us: int,
    to_us: int,
    corrected: PlantFile | None,
    warm_up_us: int,
    progress: Callable[[int], None] | None = None,
) -> Recomputed:
    """Derive a span of the past again.

    Args:
        reader: the journal.
        eras: its steps of the wall clock.
        from_us, to_us: the span, plant time; totals of periods wholly within it are told.
        corrected: the plant file to use from ``from_us`` on; None for those in force then.
        warm_up_us: how long before the span to begin.
        progress: told now and then the plant time that was reached.

    Raises:
        JournalError: nothing is on record from which to derive, or a plant file of then is missing
            or not understood by this version.
    """
    first = reader.records_between(reader.first(), reader.head(), 1)
    if not first:
        raise JournalError(f"the journal {reader.path} is empty")
    alive = reader.alive()
    newest_us = max(reader.recent(1)[0].at_us, alive.at_us if alive else 0)
    start_us, to_us = max(from_us - warm_up_us, first[0].at_us), min(to_us, newest_us)
    with_extremes = corrected is not None
    derived = _Derivation(
        reader, eras, start_us, plant_files(reader, start_us, from_us, corrected),
        with_extremes=with_extremes, progress=progress,
    )  # fmt: skip
    found: dict[tuple[str, int], Total] = {}
    for total in derived.totals(to_us, newest_us):
        wanted = with_extremes or not _is_sampled(total.subject)
        if wanted and from_us <= total.from_us and total.to_us <= to_us:
            found[total.subject, total.from_us] = total
    result = Recomputed(derived.changes, len(found), files=derived.files)
    on_record = _on_record(reader, from_us, to_us, with_extremes=with_extremes)
    for key, total in found.items():
        before = on_record.pop(key, None)
        if before is None or not _is_same(before, total):
            result.differences.append(Difference(before, total))
    for (subject, begin_us), before in on_record.items():
        period = subject.rpartition(".")[2]
        end_us = eras.plant_us(end_of(period, eras.wall_us(begin_us), derived.zone))
        if before.value is not None and end_us <= to_us:
            gone = Total(subject, begin_us, end_us, None, None, None, Quality.BAD, NOT_DERIVED)
            result.differences.append(Difference(before, gone))
    result.differences.sort(key=lambda one: (one.after.from_us, one.after.subject))
    result.days, result.day_differences = derived.of_days.differences(
        reader, eras, derived.zone, max(from_us, start_us), to_us
    )
    return result


def records_of(result: Recomputed, told_us: int, offset_us: int) -> list[Record]:
    """The records that put what came out beside what is on record.

    Args:
        told_us: plant time of this instant, not before the newest record.
        offset_us: wall time minus plant time now.
    """
    with_files = ", ".join(name[:HASH_SHOWN] for name in result.files)
    head = f"{RECOMPUTED} with plant file {with_files}"
    found = []
    for difference in result.differences:
        total = difference.after
        found.append(
            Record(
                RecordKind.TOTAL, total.subject, told_us, told_us + offset_us, total.from_us,
                total.value, total.quality, "; ".join(filter(None, (head, total.reason))),
                total.low, total.high,
            )
        )  # fmt: skip
    return found


class _Derivation:
    """One run of the engine over the journal."""

    def __init__(
        self, reader: JournalReader, eras: Eras, start_us: int, stretches: list[InForce],
        *, with_extremes: bool, progress: Callable[[int], None] | None,
    ) -> None:  # fmt: skip
        self.changes = 0
        self._totals: list[Total] = []
        self.of_days = DayFigures()
        self._with_extremes = with_extremes
        self._progress = progress or (lambda reached_us: None)
        self.files = [stretches[0].hash]
        self.zone = ZoneInfo(stretches[0].plant.plant.time_zone)
        self._reader = reader
        self._offset_us = eras.wall_us(start_us) - start_us
        self._start_us = start_us
        self._stretches = stretches
        self._engine = self._made(stretches[0].plant, start_us, self._offset_us)

    def totals(self, to_us: int, newest_us: int) -> list[Total]:
        """All totals up to ``to_us``, in the order in which they are told.

        Args:
            newest_us: the end of what is on record.
        """
        sequence = self._reader.sequence_at(self._start_us)
        for news in self._known_at(sequence):
            self._take(news)
        waiting = self._stretches[1:]
        end_us = min(to_us + self._engine.longest_correction_us, newest_us)
        for news in self._inputs(sequence, end_us):
            while waiting and waiting[0].from_us <= news.by_us:
                self._change_plant(waiting.pop(0))
            self.changes += 1
            self._pass_time(_watched_us(news))
            self._take(news)
        self._pass_time(end_us)
        self._take(Tick(end_us))
        return self._totals

    def _pass_time(self, until_us: int) -> None:
        """Tick as the daemon did: extremes are of the instants at which somebody looked."""
        while (at_us := self._engine.next_deadline_us()) <= until_us:
            self._take(Tick(at_us))

    def _take(self, news: Input) -> None:
        for output in self._engine.step(news):
            if isinstance(output, Total):
                self._totals.append(output)
            elif isinstance(output, Derived):
                self.of_days.take(output)

    def _change_plant(self, stretch: InForce) -> None:
        """Put another plant file in force, as the daemon does: the state goes on."""
        self._take(Tick(stretch.from_us))
        self.files.append(stretch.hash)
        self.zone = ZoneInfo(stretch.plant.plant.time_zone)
        saved = self._engine.save()
        self._engine = self._made(stretch.plant, stretch.from_us, self._engine.offset_us)
        self._engine.restore(saved)

    def _made(self, plant: Plant, from_us: int, offset_us: int) -> Engine:
        """An engine that judges nothing, and tells and reports only if extremes are wanted."""
        telling = self._with_extremes
        period_us = REPORT_PERIOD_US if telling else EVER_US
        return Engine(plant, from_us, period_us, offset_us, judging=False, telling=telling)

    def _inputs(self, sequence: int, end_us: int) -> Iterator[Input]:
        after = sequence - 1
        while page := self._reader.records_after(after, PAGE, INPUT_KINDS):
            for record in page:
                if record.at_us > end_us:
                    return
                if record.at_us >= self._start_us:
                    yield input_of(record)
            after = page[-1].sequence
            self._progress(page[-1].at_us)

    def _known_at(self, sequence: int) -> Iterator[Input]:
        """What was known when the derivation begins, as if it had just been seen."""
        at_us = self._start_us
        latest = self._reader.latest(
            (RecordKind.POINT, RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED), sequence
        )
        for (kind, subject), record in latest.items():
            if kind is RecordKind.POINT:
                yield PointChanged(
                    subject, record.value, record.quality, record.reason, at_us, at_us
                )
        for panel in sorted({name for kind, name in latest if kind is not RecordKind.POINT}):
            lost = latest.get((RecordKind.PANEL_LOST, panel))
            back = latest.get((RecordKind.PANEL_RETURNED, panel))
            if back is not None:
                yield PanelReturned(panel, at_us)
            if lost is not None and (back is None or back.sequence < lost.sequence):
                yield PanelLost(panel, lost.reason, at_us, at_us)


def _watched_us(news: Input) -> int:
    """Up to when the collector watched before an input: not during its own stop."""
    if isinstance(news, PanelLost) and news.reason == COLLECTOR_STOPPED:
        return news.last_good_us
    return news.by_us


def _on_record(
    reader: JournalReader, from_us: int, to_us: int, *, with_extremes: bool
) -> dict[tuple[str, int], Record]:
    """The totals on record that count, of periods that begin in the span."""
    found: dict[tuple[str, int], Record] = {}
    for _, subject in reader.latest((RecordKind.TOTAL,)):
        if not with_extremes and _is_sampled(subject):
            continue
        for record in reader.history(subject, from_us, EVER_US, ALL):
            if from_us <= record.after_us < to_us:
                found[subject, record.after_us] = record
    return found


def _is_same(before: Record, after: Total) -> bool:
    reason = before.reason.partition("; ")[2] if before.recomputed else before.reason
    tolerance = SAME_SAMPLE if _is_sampled(after.subject) else SAME
    pairs = ((before.value, after.value), (before.low, after.low), (before.high, after.high))
    return (before.quality, reason) == (after.quality, after.reason) and all(
        _is_close(left, right, tolerance) for left, right in pairs
    )


def _is_sampled(subject: str) -> bool:
    return subject.split(".")[1].endswith(SAMPLED)


def _is_close(left: object, right: float | None, tolerance: float) -> bool:
    if not isinstance(left, int | float) or right is None:
        return left is right
    return isclose(left, right, rel_tol=tolerance, abs_tol=SAME)
