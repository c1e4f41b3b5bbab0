"""How the figures of charts are gathered: strips of contacts, lines, bars of days, a dry day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from statistics import median

from collector.charts.past import Past
from collector.charts.shapes import Bars, Line, Lines, Mark, Pattern, Sample, Shape, Strip, Strips
from collector.core.calendar import begin_of, local
from collector.core.quantities import QUANTITIES
from collector.core.records import RecordKind

LEAST_DRY_DAYS = 3
TREND_US = 7 * 86_400_000_000
LEAST_FOR_TREND = 5

Gather = Callable[[Past], Shape]


def strips(contacts: Sequence[tuple[str, str]]) -> Gather:
    """Contacts on one time axis, each with its label and point."""

    def gather(past: Past) -> Shape:
        return Strips([Strip(label, past.contact(point)) for label, point in contacts])

    return gather


def lines(
    subjects: Sequence[tuple[str, str]],
    unit: str,
    marks: Sequence[tuple[str, float]] = (),
    *,
    dots: bool = False,
) -> Gather:
    """Quantities of one unit over time.

    Args:
        subjects: label and subject of each.
        unit: told where the quantity has no label of its own.
        marks: heights worth knowing.
        dots: draw each sample by itself.
    """

    def gather(past: Past) -> Shape:
        lines = [Line(label, past.figures(subject), dots) for label, subject in subjects]
        panels = {
            panel for _, subject in subjects for panel in past.panels_of(subject.partition(".")[0])
        }
        label = next(QUANTITIES[subject.rpartition(".")[2]].unit.label for _, subject in subjects)
        heights = [Mark(text, value) for text, value in marks]
        return Lines(label or unit.replace("1", ""), lines, heights, past.unknown(panels))

    return gather


def with_middle(subject: str) -> Gather:
    """Each figure, and the median of those of the seven days before it."""

    def gather(past: Past) -> Shape:
        samples = past.figures(subject)
        known = [each for each in samples if each.value is not None]
        middles, first = [], 0
        for place, each in enumerate(known):
            while known[first].utc_us < each.utc_us - TREND_US:
                first += 1
            within = [one.value or 0.0 for one in known[first : place + 1]]
            if len(within) >= LEAST_FOR_TREND:
                middles.append(Sample(each.utc_us, median(within)))
        quantity = QUANTITIES[subject.rpartition(".")[2]]
        lines = [Line("each", samples, dots=True), Line("middle of seven days", middles)]
        gaps = past.unknown(past.panels_of(subject.partition(".")[0]))
        return Lines(quantity.unit.label, lines, (), gaps)

    return gather


def reading(point: str) -> Gather:
    """What a point of a panel reads."""

    def gather(past: Past) -> Shape:
        panel, _, name = point.partition(".")
        unit = past.plant.panels[panel].points[name].unit
        samples = past.figures(point, RecordKind.POINT)
        shown = unit.replace("{", "").replace("}", "") if unit else ""
        return Lines(shown, [Line("reading", samples)], (), past.unknown((panel,)))

    return gather


def bars(things: Sequence[tuple[str, str, str]]) -> Gather:
    """Days of some quantities of one unit: label, quantity and equipment of each."""

    def gather(past: Past) -> Shape:
        unit = QUANTITIES[things[0][1]].unit.label
        return Bars(unit, [(label, past.days(quantity, name)) for label, quantity, name in things])

    return gather


def dry_pattern(name: str) -> Gather:
    """The hours of the drier half of the days that are well known."""

    def gather(past: Past) -> Shape:
        days = {line.begin_utc_us: line.value or 0.0 for line in past.totals("volume_in", name)
                if line.known_percent > 95}  # fmt: skip
        unit = QUANTITIES["inflow"].unit.label
        if len(days) < LEAST_DRY_DAYS:
            return Pattern(unit, (), 0)
        limit = median(days.values())
        dry = {day for day, volume in days.items() if volume <= limit}
        by_hour: dict[int, list[float]] = defaultdict(list)
        zone = past.span.zone
        for line in past.totals("volume_in", name, "hour"):
            if begin_of("day", line.begin_utc_us, zone) in dry and line.known_percent > 95:
                by_hour[local(line.begin_utc_us, zone).hour].append(line.value or 0.0)
        hours = [
            (hour, min(values), median(values), max(values))
            for hour, values in sorted(by_hour.items())
        ]
        return Pattern(unit, hours, len(dry))

    return gather
