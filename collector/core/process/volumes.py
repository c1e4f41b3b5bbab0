"""The flow that passes a filter, a tank or a dosing point, wherever it is known from.

A source says how much has passed since watching began; flows are differences of that over full
hours, because pumps work in bouts and what counts downstream is how much came in an hour, not that
a pump happens to run. Errors of different hours are taken as independent, as those of float
crossings are; ``share`` of a source is an error common to all of its volume (a meter's).

What leaves the pumps reaches the filter some minutes later; over an hour that is within the error,
and it is not corrected for.
"""

from __future__ import annotations

from collections import deque
from dataclasses import astuple, dataclass
from math import sqrt
from typing import Protocol

from collector.core.component import Reading, Saved
from collector.core.process.telling import saved_numbers
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.core.wells.facts import MODEL_SHARE
from collector.core.wells.well_flow import WellFlow

HOUR_US = 3_600_000_000
HOURS_KEPT = 24
BOUND = 2.0
"""Standard errors from an estimate to its bounds."""

LEAST_KNOWN = 0.5
"""Share of a time that must be known for its mean flow to be told."""

NEGLIGIBLE_US = 10_000_000
"""Unknown time up to this (until the first read, say) is in the bounds and no further doubt."""

NO_SOURCE = "no flow is known"
NOT_WATCHED = "too little of the time was watched"
UNKNOWN_TIME = "unknown time"


@dataclass(frozen=True, slots=True)
class Volume:
    """What has passed since watching began.

    Args:
        m3: as far as known.
        error_m3: its standard error.
        unknown_s: time of which nobody knows what passed.
        unknown_most_m3: the most that can have passed in it; infinite if nothing bounds it.
    """

    m3: float
    error_m3: float
    unknown_s: float
    unknown_most_m3: float


class FlowSource(Protocol):
    """Something that knows how much water has passed."""

    @property
    def name(self) -> str:
        """The well or meter."""
        ...

    @property
    def share(self) -> float:
        """Standard error common to all of its volume, as a share of it."""
        ...

    def volume_until(self, at_us: int) -> Volume:
        """What has passed up to an instant not before its last input."""
        ...


class WellOutflow:
    """The pumped flow of a well as a source."""

    share = MODEL_SHARE

    def __init__(self, well: WellFlow) -> None:
        self.name = well.well
        self._well = well

    def volume_until(self, at_us: int) -> Volume:
        """See ``FlowSource``."""
        look = self._well.look(at_us)
        pumped = look.pumped_total_m3
        return Volume(pumped.value, pumped.error, look.unknown_s, sum(look.unknown_most_m3))


@dataclass(frozen=True, slots=True)
class Span:
    """What passed in a time.

    Args:
        m3: as far as known; ``low_m3`` and ``high_m3`` its bounds, None where nothing bounds it.
        unknown_s, length_s: unknown part of the time, and all of it.
    """

    m3: float
    low_m3: float
    high_m3: float | None
    unknown_s: float
    length_s: float

    @property
    def mostly_known(self) -> bool:
        """Whether its mean means anything."""
        return self.unknown_s <= (1.0 - LEAST_KNOWN) * self.length_s

    @property
    def doubtful(self) -> bool:
        """Whether more than a negligible part of it is unknown."""
        return self.unknown_s * 1e6 > NEGLIGIBLE_US

    def flow(self, subject: str, at_us: int, per: float = 1.0) -> Derived:
        """Mean flow over ``per`` (an area, say) as a figure; None where too little is known."""
        low = self.low_m3 / self.length_s / per
        high = None if self.high_m3 is None else self.high_m3 / self.length_s / per
        if not self.mostly_known:
            return Derived(subject, None, Quality.BAD, at_us, low, high, NOT_WATCHED)
        mean = self.m3 / (self.length_s - self.unknown_s) / per
        if high is not None:
            high = max(mean, high)
        doubt = self.doubtful
        return Derived(
            subject, mean, Quality.UNCERTAIN if doubt else Quality.GOOD, at_us, low, high,
            UNKNOWN_TIME if doubt else "",
        )  # fmt: skip


def between(earlier: Volume, later: Volume, length_s: float, share: float = 0.0) -> Span:
    """What passed between two instants.

    Args:
        earlier, later: what had passed up to each.
        length_s: time between them.
        share: standard error common to all of the source's volume.
    """
    m3 = max(0.0, later.m3 - earlier.m3)
    # A correction in hindsight may leave the later figure the surer one; the change is doubt too.
    square = abs(later.error_m3**2 - earlier.error_m3**2) + (share * m3) ** 2
    margin = BOUND * sqrt(square)
    unknown_s = max(0.0, later.unknown_s - earlier.unknown_s)
    most_m3 = later.unknown_most_m3 - earlier.unknown_most_m3 if unknown_s else 0.0
    bounded = most_m3 == most_m3 and most_m3 != float("inf")
    return Span(
        m3, max(0.0, m3 - margin), m3 + margin + max(0.0, most_m3) if bounded else None,
        unknown_s, length_s,
    )  # fmt: skip


def growth(begin: Reading, end: Reading) -> Reading:
    """What came between two readings of a figure that only grows; its bounds hold the edges."""
    value = max(0.0, end.value - begin.value)
    edges = begin.edge + end.edge
    below = max(0.0, (end.value - end.low) - (begin.value - begin.low)) + edges
    above = max(0.0, (end.high - end.value) - (begin.high - begin.value)) + edges
    unknown_us = max(0, end.unknown_us - begin.unknown_us)
    bounded = end.bounded or unknown_us == 0
    return Reading(value, max(0.0, value - below), value + above, unknown_us, bounded=bounded)


class Throughput:
    """The volumes of one source at the last full hours.

    A component so that its state is kept; it tells nothing itself. Those that use it may be woken
    before it at the same hour, so whoever comes first takes the sample.

    Args:
        source: whose volumes.
        start_us: plant time at which watching begins.
    """

    points: tuple[str, ...] = ()

    def __init__(self, source: FlowSource, start_us: int) -> None:
        self.source = source
        self.name = f"{source.name}.hours"
        self._samples: deque[tuple[int, Volume]] = deque(maxlen=HOURS_KEPT + 1)
        self._next_us = hour_after(start_us)

    def now(self, at_us: int) -> Volume:
        """What has passed up to now."""
        return self.source.volume_until(at_us)

    def span(self, earlier: Volume, later: Volume, length_us: int) -> Span:
        """What passed between two instants."""
        return between(earlier, later, length_us / 1e6, self.source.share)

    def last_hours(self, count: int, at_us: int) -> Span | None:
        """What passed in the last full hours; None if one end was not watched.

        Args:
            count: of hours, up to ``HOURS_KEPT``.
            at_us: a full hour of plant time; the last input lies before it.
        """
        self._sample(at_us)
        begin_us = at_us - count * HOUR_US
        found = [volume for sample_us, volume in self._samples if sample_us == begin_us]
        if not found:
            return None
        return self.span(found[0], self._samples[-1][1], count * HOUR_US)

    def _sample(self, at_us: int) -> None:
        if not self._samples or self._samples[-1][0] < at_us:
            self._samples.append((at_us, self.now(at_us)))

    def point_changed(self, change: PointChanged) -> list[Output]:
        del change
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel, reason, last_good_us, by_us
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel, by_us
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        return self._next_us

    def wake(self, at_us: int) -> list[Output]:
        self._next_us = hour_after(at_us)
        self._sample(at_us)
        return []

    def save(self) -> Saved:
        numbers: list[int | float | str | None] = []
        for at_us, volume in self._samples:
            numbers += [at_us, *(None if v == float("inf") else v for v in astuple(volume))]
        return {"samples": numbers, "next_us": self._next_us}

    def restore(self, saved: Saved) -> None:
        numbers, next_us = saved.get("samples"), saved.get("next_us")
        if not isinstance(numbers, list) or not isinstance(next_us, int) or len(numbers) % 5:
            raise ValueError(f"the saved state of {self.name} is of another form")
        flat = [float("inf") if each is None else each for each in numbers]
        plain = saved_numbers({"samples": flat}, "samples")
        self._samples = deque(
            (
                (int(plain[k]), Volume(*plain[k + 1 : k + 5]))
                for k in range(0, len(plain), 5)
            ),
            maxlen=HOURS_KEPT + 1,
        )  # fmt: skip
        self._next_us = next_us


def hour_after(at_us: int) -> int:
    """The first full hour of plant time after an instant."""
    return (at_us // HOUR_US + 1) * HOUR_US
