"""Which charts there are of what, and how each is gathered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from collector.charts.alarm_strips import alarm_strips
from collector.charts.contacts import contacts_of
from collector.charts.past import Past
from collector.charts.shapes import (
    Bars,
    Chart,
    Line,
    Lines,
    Mark,
    Pattern,
    Sample,
    Shape,
    Span,
    Strip,
    Strips,
)
from collector.core.calendar import begin_of, local
from collector.core.quantities import QUANTITIES
from collector.core.records import RecordKind
from collector.journal.reader import JournalReader
from collector.plant.equipment import (
    Blower,
    ContactTank,
    DosingPump,
    Equipment,
    Filter,
    Group,
    Machine,
    Meter,
    Pump,
    Well,
)
from collector.plant.model import Plant
from collector.plant.registers import point_kind

PLANT = "plant"
"""Name of the whole plant among those that charts are of."""
LEAST_DRY_DAYS = 3
TREND_US = 7 * 86_400_000_000
LEAST_FOR_TREND = 5


@dataclass(frozen=True, slots=True)
class ChartKind:
    """One chart that can be drawn.

    Args:
        key: stable name within its equipment.
        title: what it shows.
        look: what to look for, a sentence.
        gather: makes its figures.
    """

    key: str
    title: str
    look: str
    gather: Callable[[Past], Shape]


def charts_of(plant: Plant, name: str) -> tuple[ChartKind, ...]:
    """The charts of a piece of equipment, or of the whole plant.

    Args:
        plant: the plant file in force.
        name: of equipment, or ``plant``.
    """
    return tuple(_of_plant(plant) if name == PLANT else _of(plant, name))


def chart(reader: JournalReader, plant: Plant, name: str, key: str, span: Span) -> Chart | None:
    """Gather one chart; None where there is none of that name and key."""
    for kind in charts_of(plant, name) if name == PLANT or name in plant.equipment else ():
        if kind.key == key:
            shape = kind.gather(Past(reader, plant, span))
            return Chart(kind.key, kind.title, kind.look, span, shape, _is_empty(shape))
    return None


def _is_empty(shape: Shape) -> bool:
    if isinstance(shape, Strips):
        return not shape.strips
    if isinstance(shape, Lines):
        return not any(each.value is not None for line in shape.lines for each in line.samples)
    if isinstance(shape, Bars):
        return not any(bar.value is not None for _, bars in shape.series for bar in bars)
    return not shape.hours


LOOK_STRIPS = (
    "Pumps should take turns and floats make in order; many short marks are short cycling, a float "
    "that never moves may be stuck. Hatched: not known."
)


def _of_plant(plant: Plant) -> Iterator[ChartKind]:
    for panel, facts in plant.panels.items():
        points = [
            f"{panel}.{name}"
            for name, point in facts.points.items()
            if point_kind(point) == "contact"
        ]
        if points:
            yield ChartKind(
                f"contacts_{panel}", f"Contacts of {facts.title or panel}", LOOK_STRIPS,
                _strips([(point.partition(".")[2].replace("_", " "), point) for point in points]),
            )  # fmt: skip
    yield ChartKind(
        "alarms", "Alarms", "Which came together, which came again and again, which stood long.",
        alarm_strips,
    )  # fmt: skip
    wells = [name for name, part in plant.equipment.items() if isinstance(part, Well)]
    if wells:
        yield ChartKind(
            "volumes", "Volume in, by day", "Rain shows as days that stand out; a slow rise is "
            "groundwater or more guests.",
            _bars([(plant.equipment[name].title, "volume_in", name) for name in wells[:4]]),
        )  # fmt: skip


def _of(plant: Plant, name: str) -> Iterator[ChartKind]:
    part = plant.equipment[name]
    if isinstance(part, Well):
        yield from _of_well(name, part)
    contacts = contacts_of(plant, name)
    if contacts:
        yield ChartKind("contacts", "Contacts", LOOK_STRIPS, _strips(contacts))
    if isinstance(part, Pump):
        yield ChartKind(
            "wear", "Flow as a share of its curve",
            "A slow fall is wear, a sudden one a blockage or a leaking check valve.",
            _lines([("share of its curve", f"{name}.wear_factor")], "1", marks=[("new", 1.0)],
                   dots=True),
        )  # fmt: skip
        yield ChartKind(
            "flow", "What it gives", "Flow while it runs, with two standard errors.",
            _lines([("flow", f"{name}.flow")], "m3/h", dots=True),
        )  # fmt: skip
    if isinstance(part, Machine | Filter | DosingPump):
        yield ChartKind(
            "run_hours", "Run time by day", "A day that stands out ran for a reason.",
            _bars([("run time", "run_hours", name)]),
        )  # fmt: skip
        yield ChartKind(
            "starts", "Starts by day", "More starts with the same run time is short cycling.",
            _bars([("starts", "starts", name)]),
        )  # fmt: skip
    yield from _of_process(plant, name, part)


def _of_well(name: str, part: Well) -> Iterator[ChartKind]:
    marks = [(f"{role.replace('_', '-')}", switch.makes_at_m) for role, switch in
             part.floats.by_role()]  # fmt: skip
    if part.overflow_m is not None:
        marks.append(("overflows", part.overflow_m))
    yield ChartKind(
        "level", "Level, estimated between floats",
        "It should swing between its floats; one that is passed without making may be stuck.",
        _lines([("level", f"{name}.level")], "m", marks=marks),
    )  # fmt: skip
    yield ChartKind(
        "inflow", "Inflow, estimated, with two standard errors",
        "Rain comes within the hour and goes over days; a high night is water that is no sewage.",
        _lines([("inflow", f"{name}.inflow")], "m3/h"),
    )  # fmt: skip
    yield ChartKind(
        "pattern", "A dry day, hour by hour",
        "Middle, least and greatest of the drier half of the days shown; its lowest hours are the "
        "groundwater.", _dry_pattern(name),
    )  # fmt: skip
    yield ChartKind(
        "volumes", "Volume in and pumped, by day", "What came should have been pumped.",
        _bars([("in", "volume_in", name), ("pumped", "volume_pumped", name)]),
    )  # fmt: skip


def _of_process(plant: Plant, name: str, part: Equipment) -> Iterator[ChartKind]:
    if isinstance(part, Group):
        members = [(plant.equipment[each].title, "run_hours", each) for each in part.members]
        yield ChartKind(
            "sharing", "Run time of its machines by day",
            "Those that take turns should run alike.", _bars(members),
        )  # fmt: skip
        if all(isinstance(plant.equipment[each], Blower) for each in part.members):
            yield ChartKind(
                "air", "Time without air by day", "A day that stands out starved the biology.",
                _bars([("without air", "time_without_air", name)]),
            )  # fmt: skip
            yield ChartKind(
                "changeovers", "Changeovers by day", "None means that one machine does it all.",
                _bars([("changeovers", "changeovers", name)]),
            )  # fmt: skip
    for key, title, look, unit, subjects in LINES.get(part.kind, ()):
        yield ChartKind(
            key, title, look,
            _lines([(label, f"{name}.{quantity}") for label, quantity in subjects], unit,
                   dots=unit not in ("L", "m3")),
        )  # fmt: skip
    if isinstance(part, DosingPump):
        yield ChartKind(
            "used", "Solution used by day", "It should follow the water.",
            _bars([("used", "chemical_used", name)]),
        )  # fmt: skip
    if isinstance(part, Filter):
        yield ChartKind(
            "volume", "Filtered between cleanings, and the middle of seven days",
            "A slow fall of the middle is a cloth that blinds.",
            _with_middle(f"{name}.volume_per_cleaning"),
        )  # fmt: skip
        yield ChartKind(
            "cleanings", "Cleanings by day", "More for the same water is a cloth that blinds.",
            _bars([("cleanings", "cleanings", name)]),
        )  # fmt: skip
    point = part.point if isinstance(part, Meter) else None
    if isinstance(part, ContactTank):
        point = part.residual
    if point is not None:
        yield ChartKind(
            "reading", "What it reads", "Steps and flat stretches may be the instrument.",
            _reading(point),
        )  # fmt: skip


LINES: dict[str, tuple[tuple[str, str, str, str, tuple[tuple[str, str], ...]], ...]] = {
    "filter": (
        ("interval", "Time between cleanings", "It shortens with load and with blinding.", "h",
         (("interval", "cleaning_interval"),)),
    ),
    "dosing_pump": (
        ("stock", "Left in the day tank", "Order before it reaches the low mark.", "L",
         (("stock", "stock"),)),
        ("dose", "Dose of 24 h", "It should stay where it was set.", "mg/L",
         (("dose", "dose_day"),)),
    ),
    "contact_tank": (
        ("contact_time", "Contact time T10, an estimate", "Short at high flow.", "min",
         (("contact time", "contact_time"),)),
    ),
    "clarifier": (
        ("overflow_rate", "Surface overflow rate", "High rates carry sludge over.", "m/d",
         (("last hour", "overflow_rate"), ("last 24 h", "overflow_rate_day"))),
    ),
    "sludge_store": (
        ("fill", "Sludge in the store", "It steps up with wasting and down with hauls.", "m3",
         (("fill", "sludge_fill"),)),
    ),
}  # fmt: skip


# --- how charts are gathered --------------------------------------------------------------------


def _strips(contacts: Sequence[tuple[str, str]]) -> Callable[[Past], Shape]:
    def gather(past: Past) -> Shape:
        return Strips([Strip(label, past.contact(point)) for label, point in contacts])

    return gather


def _lines(
    subjects: Sequence[tuple[str, str]],
    unit: str,
    marks: Sequence[tuple[str, float]] = (),
    *,
    dots: bool = False,
) -> Callable[[Past], Shape]:
    def gather(past: Past) -> Shape:
        lines = [Line(label, past.figures(subject), dots) for label, subject in subjects]
        panels = {
            panel for _, subject in subjects for panel in past.panels_of(subject.partition(".")[0])
        }
        label = next(QUANTITIES[subject.rpartition(".")[2]].unit.label for _, subject in subjects)
        heights = [Mark(text, value) for text, value in marks]
        return Lines(label or unit.replace("1", ""), lines, heights, past.unknown(panels))

    return gather


def _with_middle(subject: str) -> Callable[[Past], Shape]:
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


def _reading(point: str) -> Callable[[Past], Shape]:
    def gather(past: Past) -> Shape:
        panel, _, name = point.partition(".")
        unit = past.plant.panels[panel].points[name].unit
        samples = past.figures(point, RecordKind.POINT)
        shown = unit.replace("{", "").replace("}", "") if unit else ""
        return Lines(shown, [Line("reading", samples)], (), past.unknown((panel,)))

    return gather


def _bars(things: Sequence[tuple[str, str, str]]) -> Callable[[Past], Shape]:
    def gather(past: Past) -> Shape:
        unit = QUANTITIES[things[0][1]].unit.label
        return Bars(unit, [(label, past.days(quantity, name)) for label, quantity, name in things])

    return gather


def _dry_pattern(name: str) -> Callable[[Past], Shape]:
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
