"""Which charts there are of what, and how each is gathered."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from collector.charts.alarm_strips import alarm_strips
from collector.charts.contacts import contacts_of
from collector.charts.gathering import bars, dry_pattern, lines, reading, strips, with_middle
from collector.charts.past import Past
from collector.charts.shapes import (
    Bars,
    Chart,
    Lines,
    Shape,
    Span,
    Strips,
)
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
                strips([(point.partition(".")[2].replace("_", " "), point) for point in points]),
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
            bars([(plant.equipment[name].title, "volume_in", name) for name in wells[:4]]),
        )  # fmt: skip


def _of(plant: Plant, name: str) -> Iterator[ChartKind]:
    part = plant.equipment[name]
    if isinstance(part, Well):
        yield from _of_well(name, part)
    contacts = contacts_of(plant, name)
    if contacts:
        yield ChartKind("contacts", "Contacts", LOOK_STRIPS, strips(contacts))
    if isinstance(part, Pump):
        yield ChartKind(
            "wear", "Flow as a share of its curve",
            "A slow fall is wear, a sudden one a blockage or a leaking check valve.",
            lines([("share of its curve", f"{name}.wear_factor")], "1", marks=[("new", 1.0)],
                   dots=True),
        )  # fmt: skip
        yield ChartKind(
            "flow", "What it gives", "Flow while it runs, with two standard errors.",
            lines([("flow", f"{name}.flow")], "m3/h", dots=True),
        )  # fmt: skip
    if isinstance(part, Machine | Filter) or (isinstance(part, DosingPump) and part.run):
        yield ChartKind(
            "run_hours", "Run time by day", "A day that stands out ran for a reason.",
            bars([("run time", "run_hours", name)]),
        )  # fmt: skip
        yield ChartKind(
            "starts", "Starts by day", "More starts with the same run time is short cycling.",
            bars([("starts", "starts", name)]),
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
        lines([("level", f"{name}.level")], "m", marks=marks),
    )  # fmt: skip
    yield ChartKind(
        "inflow", "Inflow, estimated, with two standard errors",
        "Rain comes within the hour and goes over days; a high night is water that is no sewage.",
        lines([("inflow", f"{name}.inflow")], "m3/h"),
    )  # fmt: skip
    yield ChartKind(
        "pattern", "A dry day, hour by hour",
        "Middle, least and greatest of the drier half of the days shown; its lowest hours are the "
        "groundwater.", dry_pattern(name),
    )  # fmt: skip
    yield ChartKind(
        "volumes", "Volume in and pumped, by day", "What came should have been pumped.",
        bars([("in", "volume_in", name), ("pumped", "volume_pumped", name)]),
    )  # fmt: skip


def _of_process(plant: Plant, name: str, part: Equipment) -> Iterator[ChartKind]:
    if isinstance(part, Group):
        members = [(plant.equipment[each].title, "run_hours", each) for each in part.members]
        yield ChartKind(
            "sharing", "Run time of its machines by day",
            "Those that take turns should run alike.", bars(members),
        )  # fmt: skip
        if all(isinstance(plant.equipment[each], Blower) for each in part.members):
            yield ChartKind(
                "air", "Time without air by day", "A day that stands out starved the biology.",
                bars([("without air", "time_without_air", name)]),
            )  # fmt: skip
            yield ChartKind(
                "changeovers", "Changeovers by day", "None means that one machine does it all.",
                bars([("changeovers", "changeovers", name)]),
            )  # fmt: skip
    for key, title, look, unit, subjects in LINES.get(part.kind, ()):
        yield ChartKind(
            key, title, look,
            lines([(label, f"{name}.{quantity}") for label, quantity in subjects], unit,
                   dots=unit not in ("L", "m3")),
        )  # fmt: skip
    if isinstance(part, DosingPump):
        yield ChartKind(
            "used", "Solution used by day", "It should follow the water.",
            bars([("used", "chemical_used", name)]),
        )  # fmt: skip
    if isinstance(part, Filter):
        yield ChartKind(
            "volume", "Filtered between cleanings, and the middle of seven days",
            "A slow fall of the middle is a cloth that blinds.",
            with_middle(f"{name}.volume_per_cleaning"),
        )  # fmt: skip
        yield ChartKind(
            "cleanings", "Cleanings by day", "More for the same water is a cloth that blinds.",
            bars([("cleanings", "cleanings", name)]),
        )  # fmt: skip
    point = part.point if isinstance(part, Meter) else None
    if isinstance(part, ContactTank):
        point = part.residual
    if point is not None:
        yield ChartKind(
            "reading", "What it reads", "Steps and flat stretches may be the instrument.",
            reading(point),
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
