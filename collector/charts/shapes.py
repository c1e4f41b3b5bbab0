"""What a chart shows, as plain figures: strips of contacts, lines over time, bars by day, a day's
pattern. Instants are UTC in microseconds; values are in the unit that stands beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from collector.core.calendar import local


@dataclass(frozen=True, slots=True)
class Span:
    """The time a chart covers, and the zone its axis is in."""

    from_utc_us: int
    to_utc_us: int
    zone: ZoneInfo


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in which a contact was made, or in which nobody knows (``made`` is None)."""

    from_utc_us: int
    to_utc_us: int
    made: bool | None


@dataclass(frozen=True, slots=True)
class Strip:
    """One contact: when it was made and when unknown; the rest of the time it was open."""

    label: str
    stretches: Sequence[Stretch]


@dataclass(frozen=True, slots=True)
class Strips:
    """Contacts on one time axis."""

    strips: Sequence[Strip]


@dataclass(frozen=True, slots=True)
class Sample:
    """A figure from an instant on, with its bounds; None where it is not known."""

    utc_us: int
    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One figure over time; ``dots`` draws each sample by itself, else it holds until the next."""

    label: str
    samples: Sequence[Sample]
    dots: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """A height worth knowing, such as that of a float."""

    label: str
    value: float


@dataclass(frozen=True, slots=True)
class Lines:
    """Figures over time in one unit."""

    unit: str
    lines: Sequence[Line]
    marks: Sequence[Mark] = ()
    unknown: Sequence[Stretch] = ()


@dataclass(frozen=True, slots=True)
class Bar:
    """What one day saw; ``value`` None where nothing is known."""

    utc_us: int
    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Bars:
    """Days, for one or several things, in one unit."""

    unit: str
    series: Sequence[tuple[str, Sequence[Bar]]]


@dataclass(frozen=True, slots=True)
class Pattern:
    """The hours of a day: middle value and spread over some days.

    Args:
        hours: hour, least, middle and greatest.
        days: how many days it is made of.
    """

    unit: str
    hours: Sequence[tuple[int, float, float, float]]
    days: int


Shape = Strips | Lines | Bars | Pattern


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart.

    Args:
        key: stable name within its equipment.
        title: what it shows.
        look: what to look for, a sentence.
        empty: whether there is nothing on record to show.
    """

    key: str
    title: str
    look: str
    span: Span
    shape: Shape
    empty: bool = field(default=False)


MOST_ROWS = 400


def rows_of(chart: Chart) -> tuple[list[str], list[list[str]]]:
    """The figures of a chart as headings and rows, at most ``MOST_ROWS``, the newest."""
    shape, zone = chart.shape, chart.span.zone

    def when(utc_us: int) -> str:
        return local(utc_us, zone).strftime("%Y-%m-%d %H:%M:%S")

    def said(value: float | None) -> str:
        return "unknown" if value is None else f"{value:.4g}"

    def bound(value: float | None) -> str:
        return "" if value is None else f"{value:.4g}"

    if isinstance(shape, Strips):
        rows = [
            [when(each.from_utc_us), when(each.to_utc_us), strip.label,
             "unknown" if each.made is None else "made"]
            for strip in shape.strips for each in strip.stretches
        ]  # fmt: skip
        return ["from", "to", "contact", "state"], sorted(rows)[-MOST_ROWS:]
    if isinstance(shape, Pattern):
        return ["hour", f"least, {shape.unit}", "middle", "greatest"], [
            [f"{hour:02d}", *(f"{each:.4g}" for each in rest)] for hour, *rest in shape.hours
        ]
    if isinstance(shape, Bars):
        rows = [
            [local(bar.utc_us, zone).strftime("%Y-%m-%d"), label, said(bar.value),
             bound(bar.low), bound(bar.high)]
            for label, bars in shape.series for bar in bars
        ]  # fmt: skip
        return ["day", "of", shape.unit or "number", "at least", "at most"], rows[-MOST_ROWS:]
    rows = [
        [when(each.utc_us), line.label, said(each.value), bound(each.low), bound(each.high)]
        for line in shape.lines for each in line.samples
    ]  # fmt: skip
    return ["from", "of", shape.unit or "number", "at least", "at most"], sorted(rows)[-MOST_ROWS:]
