"""What hours, plant days and months saw: totals of all figures that only grow, and extremes.

At every boundary the figures are read (a snapshot); a total is the difference of two snapshots, so
that totals add up over any split. Rules:

* A boundary is read when it comes, but told a little later (``grace_us``): until then it may turn
  out that a panel had been lost before, or that a contact had moved. Then the snapshot is taken
  again. A loss that is noticed still later (a frozen panel) has the totals told again, and of two
  totals of one period the newer counts.
* A figure that is lower than at the boundary before (a best guess that was taken back) counts as
  unchanged, and the next total is so much less.
* Periods are periods of the wall clock. A step of it that leads into another period ends the one
  and begins the other at that instant, so that nothing counts twice; both are uncertain.
* What nobody watched before the collector began is unknown time of the period.
* Nothing is told of a period of which nothing is known, and of an hour only volumes and run times
  that are not zero: the journal stays small. While no panel at all is known, only days are read.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, Protocol

from collector.core.calendar import PERIODS, begin_of, end_of, next_hour
from collector.core.component import Counting, Ranging, Reading
from collector.core.quantities import QUANTITIES
from collector.core.records import Output, Quality, Total

HOURLY_KINDS = frozenset({"time", "volume"})
CUT = "cut by a step of the clock"
TWICE = "the clock was set back: met twice"
STEPPED = "the clock was stepped"
# A step shorter than this share of a period leaves it as it is.
STEP_SHARE = 1_000
LENGTHS_US = {"hour": 3_600_000_000, "day": 86_400_000_000, "month": 30 * 86_400_000_000}


class Named(Protocol):
    """Whatever has a name; those that count or range are picked out."""

    @property
    def name(self) -> str: ...


@dataclass(slots=True)
class Mark:
    """A figure at a boundary; all but ``edge`` only grow. See ``Reading``.

    Args:
        below, above: how far the truth may lie below and above ``value``.
        lead_us: time of the period that begins here before anybody watched.
    """

    value: float
    below: float
    above: float
    unknown_us: int
    edge: float = 0.0
    bounded: bool = True
    lead_us: int = 0


@dataclass(slots=True)
class Snapshot:
    """All figures at an instant of plant time, by ``equipment.quantity``."""

    at_us: int
    marks: dict[str, Mark] = field(default_factory=dict)


@dataclass(slots=True)
class Span:
    """A period under way, or one that has ended.

    Args:
        period: hour, day or month.
        key_us: when it begins by the wall clock.
        begin, end: the figures then.
        doubt: why it is uncertain for another reason than unknown time.
        extremes: least and greatest of what goes up and down.
    """

    period: str
    key_us: int
    begin: Snapshot
    end: Snapshot | None = None
    doubt: str = ""
    extremes: dict[str, tuple[float, float]] = field(default_factory=dict)
    told: bool = False


class Periods:
    """Keeps the calendar of one plant.

    Args:
        parts: all components; those that count or range are used.
        zone: the plant's time zone.
        start_us: plant time at which watching begins.
        offset_us: wall time minus plant time.
        grace_us: how long after a boundary its totals are told.
        kept_us: how long a total can still be told again.
    """

    name = ""

    def __init__(
        self,
        parts: Iterable[Named],
        zone: tzinfo,
        start_us: int,
        offset_us: int,
        grace_us: int,
        kept_us: int = 0,
    ) -> None:
        known = list(parts)
        self._counting = {part.name: part for part in known if isinstance(part, Counting)}
        self._ranging = {part.name: part for part in known if isinstance(part, Ranging)}
        self._zone = zone
        self._offset_us = offset_us
        self._start_us = start_us
        self._grace_us = grace_us
        self.kept_us = max(grace_us, kept_us)
        self._ended: deque[Span] = deque()
        self._open: dict[str, Span] = {}
        self._greatest_key_us: dict[str, int] = {}
        self._last = Snapshot(start_us)
        self._next_us = 0
        self._blind_until_us = start_us
        self.begin(start_us)

    def begin(self, at_us: int) -> None:
        """Begin to watch in the middle of an hour, day and month."""
        for period in PERIODS:
            key_us = begin_of(period, at_us + self._offset_us, self._zone)
            begin = Snapshot(key_us - self._offset_us)
            for subject, mark in self._read(at_us).marks.items():
                mark.lead_us = at_us - begin.at_us
                begin.marks[subject] = mark
            self._open[period] = Span(period, key_us, begin)
        self._last = self._open["hour"].begin
        self._plan(at_us)

    # --- time -----------------------------------------------------------------------------------

    @property
    def last_read_us(self) -> int:
        """Plant time of the newest boundary; later inputs about earlier times: ``read_again``."""
        return self._last.at_us

    def deadline_us(self) -> int | None:
        """The next boundary, or when totals are to be told."""
        for span in self._ended:
            if not span.told:
                return min(self._next_us, _end(span).at_us + self._grace_us)
        return self._next_us

    def see_nothing_until(self, at_us: int) -> None:
        """No panel is known up to then: hours need not be read one by one, days are."""
        self._blind_until_us = at_us

    def wake(self, at_us: int) -> list[Output]:
        """Read a boundary, tell what has waited long enough."""
        found: list[Output] = []
        for span in self._ended:
            if not span.told and _end(span).at_us + self._grace_us <= at_us:
                found += self._tell(span)
        while self._ended and self._ended[0].told and self._is_settled(self._ended[0], at_us):
            self._ended.popleft()
        if at_us >= self._next_us:
            self._cross(self._next_us, self._changing(self._next_us), "")
        return found

    def step_clock(self, at_us: int, offset_us: int) -> None:
        """The wall clock is another from ``at_us`` on."""
        step_us, self._offset_us = offset_us - self._offset_us, offset_us
        changing = self._changing(at_us)
        for span in self._open.values():
            wide = abs(step_us) * STEP_SHARE > LENGTHS_US[span.period]
            if wide and span.period not in changing:
                span.doubt = span.doubt or STEPPED
        if changing:
            self._cross(at_us, changing, CUT)
        else:
            self._plan(at_us)

    def read_again(self, names: Iterable[str], after_us: int) -> list[Total]:
        """Something has become known about components that happened after ``after_us``.

        Returns:
            totals already told that are no longer right.
        """
        snapshots = [_end(span) for span in self._ended if span.period == "hour"]
        touched: set[str] = set()
        before = self._ended[0].begin if self._ended else None
        for snapshot in snapshots:
            if snapshot.at_us > after_us:
                for name in names:
                    if name in self._counting:
                        touched.update(self._read_part(name, snapshot, before))
            before = snapshot
        found: list[Total] = []
        for span in self._ended:
            if span.told and _end(span).at_us > after_us:
                found += self._tell(span, touched)
        return found

    # --- boundaries -----------------------------------------------------------------------------

    def _plan(self, at_us: int) -> None:
        wall_us, blind_us = at_us + self._offset_us, self._blind_until_us + self._offset_us
        next_us = next_hour(wall_us, self._zone)
        if next_us < blind_us:
            last_us = begin_of("hour", blind_us, self._zone)
            next_us = max(next_us, min(end_of("day", wall_us, self._zone), last_us))
        self._next_us = next_us - self._offset_us

    def _changing(self, at_us: int) -> dict[str, int]:
        """The periods that are others from ``at_us`` on, and when they begin by the wall clock."""
        wall_us = at_us + self._offset_us
        keys_us = {period: begin_of(period, wall_us, self._zone) for period in PERIODS}
        return {
            period: key_us
            for period, key_us in keys_us.items()
            if key_us != self._open[period].key_us
        }

    def _cross(self, at_us: int, changing: Mapping[str, int], doubt: str) -> None:
        snapshot = self._read(at_us, self._last)
        self._merge_extremes(at_us)
        self._last = snapshot
        for period, key_us in changing.items():
            span = self._open[period]
            span.end = snapshot
            span.doubt = span.doubt or doubt
            self._ended.append(span)
            greatest_us = max(self._greatest_key_us.get(period, span.key_us), span.key_us)
            self._greatest_key_us[period] = greatest_us
            again = TWICE if key_us <= greatest_us else doubt
            self._open[period] = Span(period, key_us, snapshot, doubt=again)
        self._plan(at_us)

    def _is_settled(self, span: Span, at_us: int) -> bool:
        return _end(span).at_us + self.kept_us <= at_us

    # --- figures --------------------------------------------------------------------------------

    def _read(self, at_us: int, before: Snapshot | None = None) -> Snapshot:
        snapshot = Snapshot(at_us)
        for name in self._counting:
            self._read_part(name, snapshot, before)
        return snapshot

    def _read_part(self, name: str, snapshot: Snapshot, before: Snapshot | None) -> Collection[str]:
        """Put a component's figures into a snapshot; the subjects it has."""
        subjects = []
        for quantity, reading in self._counting[name].readings(snapshot.at_us).items():
            subject = quantity if "." in quantity else f"{name}.{quantity}"
            subjects.append(subject)
            least = None if before is None else before.marks.get(subject)
            old = snapshot.marks.get(subject)
            snapshot.marks[subject] = _mark(reading, least, 0 if old is None else old.lead_us)
        return subjects

    def _merge_extremes(self, at_us: int) -> None:
        for name, part in self._ranging.items():
            for quantity, (low, high) in part.take_extremes(at_us).items():
                subject = quantity if "." in quantity else f"{name}.{quantity}"
                for span in self._open.values():
                    least, greatest = span.extremes.get(subject, (low, high))
                    span.extremes[subject] = (min(least, low), max(greatest, high))

    def _tell(self, span: Span, only: Collection[str] | None = None) -> list[Total]:
        span.told = True
        begin, end = span.begin, _end(span)
        found: list[Total] = []
        shares: dict[str, str] = {}
        for subject, last in end.marks.items():
            first = begin.marks.get(subject)
            if first is None or (only is not None and subject not in only):
                continue
            is_worth_telling = _is_worth_telling(subject, span, first, last, again=only is not None)
            if span.period == "hour" and not is_worth_telling:
                continue
            total = _total(subject, span, first, last)
            owner = subject.partition(".")[0]
            shares[owner] = max(shares.get(owner, ""), total.reason)
            if is_worth_telling:
                found.append(total)
        if only is None and span.period != "hour":
            found += _extreme_totals(span, shares)
        return found

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """State as plain JSON values; snapshots stand once, spans name them by number."""
        spans = [*self._ended, *self._open.values()]
        snapshots: list[Snapshot] = [self._last]
        for span in spans:
            for one in (span.begin, span.end):
                if one is not None and not any(one is other for other in snapshots):
                    snapshots.append(one)
        number = {id(snapshot): index for index, snapshot in enumerate(snapshots)}
        return {
            "offset_us": self._offset_us,
            "next_us": self._next_us,
            "greatest_key_us": dict(self._greatest_key_us),
            "snapshots": [
                [
                    one.at_us,
                    {
                        subject: [mark.value, mark.below, mark.above, mark.unknown_us, mark.edge,
                                  mark.bounded, mark.lead_us]
                        for subject, mark in one.marks.items()
                    },
                ]
                for one in snapshots
            ],
            "spans": [
                [span.period, span.key_us, number[id(span.begin)],
                 None if span.end is None else number[id(span.end)], span.doubt,
                 {subject: list(pair) for subject, pair in span.extremes.items()}, span.told]
                for span in spans
            ],
        }  # fmt: skip

    def restore(self, saved: Mapping[str, Any] | None, fresh: Collection[str]) -> None:
        """Take back a state from ``save``.

        Args:
            saved: None where an earlier version kept none.
            fresh: components that begin anew; what came before is unknown of them.
        """
        if saved is None:
            self.begin(self._start_us)
            return
        self._offset_us = saved["offset_us"]
        self._next_us = saved["next_us"]
        self._greatest_key_us = dict(saved["greatest_key_us"])
        snapshots = [
            Snapshot(at_us, {subject: Mark(*figures) for subject, figures in marks.items()})
            for at_us, marks in saved["snapshots"]
        ]
        self._last = snapshots[0]
        self._ended.clear()
        for period, key_us, begin, end, doubt, extremes, told in saved["spans"]:
            ranges = {subject: (low, high) for subject, (low, high) in extremes.items()}
            span = Span(period, key_us, snapshots[begin],
                        None if end is None else snapshots[end], doubt, ranges, told)  # fmt: skip
            if span.end is None:
                self._open[period] = span
            else:
                self._ended.append(span)
        if fresh:
            self._begin_parts([name for name in fresh if name in self._counting])

    def _begin_parts(self, names: Sequence[str]) -> None:
        """Components that count from the start of this process on."""
        for span in self._open.values():
            begin = Snapshot(span.begin.at_us, dict(span.begin.marks))
            lead_us = max(0, self._start_us - begin.at_us)
            for name in names:
                read = Snapshot(self._start_us)
                for subject in self._read_part(name, read, None):
                    read.marks[subject].lead_us = lead_us
                    begin.marks[subject] = read.marks[subject]
            if span.begin is self._last:
                self._last = begin
            span.begin = begin
        for name in names:
            for subject in self._read_part(name, Snapshot(self._start_us), None):
                for span in self._ended:  # what it was before is no longer to be had
                    _end(span).marks.pop(subject, None)


def _end(span: Span) -> Snapshot:
    if span.end is None:
        raise ValueError(f"the {span.period} has not ended")
    return span.end


def _mark(reading: Reading, before: Mark | None, lead_us: int) -> Mark:
    mark = Mark(
        reading.value, reading.value - reading.low, reading.high - reading.value,
        reading.unknown_us, reading.edge, reading.bounded, lead_us,
    )  # fmt: skip
    if before is not None:
        mark.value = max(mark.value, before.value)
        mark.below = max(mark.below, before.below)
        mark.above = max(mark.above, before.above)
        mark.unknown_us = max(mark.unknown_us, before.unknown_us)
    return mark


def _total(subject: str, span: Span, first: Mark, last: Mark) -> Total:
    begin_us, end_us = span.begin.at_us, _end(span).at_us
    length_us = end_us - begin_us
    unknown_us = min(length_us, last.unknown_us - first.unknown_us + first.lead_us)
    value = last.value - first.value
    edges = first.edge + last.edge
    low = max(0.0, value - (last.below - first.below) - edges)
    high: float | None = value + (last.above - first.above) + edges
    if first.lead_us and _kind(subject) == "time" and last.bounded and high is not None:
        high += first.lead_us / 1e6
    elif first.lead_us or (unknown_us and not last.bounded):
        high = None
    doubts = [span.doubt] if span.doubt else []
    if unknown_us:
        doubts.insert(0, f"{_per_cent(length_us - unknown_us, length_us)} % of the period known")
    return Total(
        f"{subject}.{span.period}", begin_us, end_us, value, low, high,
        Quality.UNCERTAIN if doubts else Quality.GOOD, "; ".join(doubts),
    )  # fmt: skip


def _is_worth_telling(subject: str, span: Span, first: Mark, last: Mark, again: bool) -> bool:
    if span.period == "hour" and _kind(subject) not in HOURLY_KINDS:
        return False
    if last.value != first.value or again:  # what has been told is corrected even to nothing
        return True
    unknown_us = last.unknown_us - first.unknown_us + first.lead_us
    return span.period != "hour" and unknown_us < _end(span).at_us - span.begin.at_us


def _extreme_totals(span: Span, shares: Mapping[str, str]) -> list[Total]:
    found = []
    for subject, pair in span.extremes.items():
        reason = shares.get(subject.partition(".")[0], "") or span.doubt
        for ending, value in zip(("least", "greatest"), pair, strict=True):
            found.append(
                Total(f"{subject}_{ending}.{span.period}", span.begin.at_us, _end(span).at_us,
                      value, None, None, Quality.UNCERTAIN if reason else Quality.GOOD, reason)
            )  # fmt: skip
    return found


def _kind(subject: str) -> str:
    quantity = QUANTITIES.get(subject.split(".")[1])
    return "" if quantity is None else quantity.unit.kind


def _per_cent(part_us: int, whole_us: int) -> str:
    """A share with one decimal, cut and not rounded: what is not whole never reads 100.0."""
    tenths = max(0, part_us) * 1000 // max(1, whole_us)
    return f"{tenths // 10}.{tenths % 10}"
