"""The order in which the water takes a plant's equipment, from the plant file alone.

Sumps and tanks first, each before the one it empties into; then biology and air, settling, filter,
chemicals, contact, and what belongs to no step of treatment.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from collector.plant.equipment import (
    Blower,
    Clarifier,
    ContactTank,
    DosingPump,
    Filter,
    Group,
    Mains,
    Meter,
    Mixer,
    Pump,
    Screen,
    SludgeStore,
    Well,
)
from collector.plant.model import Plant


@dataclass(frozen=True, slots=True)
class Stage:
    """One step of the water's way.

    Args:
        key: stable name of it.
        title: what people call it.
        main: the tank it is about; None where it is about several things.
        members: the equipment in it, in the order of the plant file.
    """

    key: str
    title: str
    main: str | None
    members: tuple[str, ...]


def stages_of(plant: Plant) -> tuple[Stage, ...]:
    """The steps of a plant, each piece of equipment in exactly one."""
    left = dict(plant.equipment)

    def taken(names: list[str]) -> tuple[str, ...]:
        for name in names:
            left.pop(name, None)
        return tuple(names)

    found: list[Stage] = []
    wells = wells_downstream(plant)
    receiving = next((name for name in wells if _feeders(plant, name)), wells[0] if wells else "")
    for name in wells:
        if name == receiving:
            screens = [each for each, part in left.items() if isinstance(part, Screen)]
            if screens:
                found.append(Stage("inlet", "Inlet", None, taken(screens)))
        title = plant.equipment[name].title
        found.append(Stage(name, title, name, taken([name, *_of_well(plant, name)])))
    for key, title, kinds, measures in TREATMENT:
        members = [
            name
            for name, part in left.items()
            if isinstance(part, kinds)
            or (isinstance(part, Meter) and part.measures in measures)
            or (isinstance(part, Group) and isinstance(left.get(part.members[0]), kinds))
        ]
        if members:
            found.append(Stage(key, title, None, taken(members)))
    supply = [name for name, part in left.items() if isinstance(part, Mains)]
    if supply:
        found.append(Stage("supply", "Electricity", None, taken(supply)))
    if left:
        found.append(Stage("further", "Further", None, taken(list(left))))
    return tuple(found)


TREATMENT: tuple[tuple[str, str, tuple[type, ...], frozenset[str]], ...] = (
    ("biology", "Biology and air", (Blower, Mixer), frozenset({"air_pressure", "oxygen"})),
    ("settling", "Settling and sludge", (Clarifier, SludgeStore), frozenset()),
    ("filtration", "Filter", (Filter,), frozenset({"turbidity"})),
    ("chemicals", "Chemicals", (DosingPump,), frozenset()),
    ("contact", "Disinfection", (ContactTank,), frozenset({"residual"})),
)


def wells_downstream(plant: Plant) -> list[str]:
    """Wells and tanks, each before the one it empties into."""
    wells = [name for name, part in plant.equipment.items() if isinstance(part, Well)]
    ordered: list[str] = []

    def put(name: str, behind: frozenset[str]) -> None:
        if name in ordered or name in behind:
            return
        for feeder in _feeders(plant, name):
            put(feeder, behind | {name})
        ordered.append(name)

    for name in wells:
        if not _empties_into(plant, name):
            put(name, frozenset())
    for name in wells:  # what empties in a circle
        put(name, frozenset())
    return ordered


def _empties_into(plant: Plant, name: str) -> str | None:
    part = plant.equipment[name]
    into = part.empties_into if isinstance(part, Well) else None
    return into if into in plant.equipment else None


def _feeders(plant: Plant, name: str) -> list[str]:
    return [
        other
        for other, part in plant.equipment.items()
        if isinstance(part, Well) and part.empties_into == name
    ]


def _of_well(plant: Plant, well: str) -> Iterator[str]:
    pumps = [
        name
        for name, part in plant.equipment.items()
        if isinstance(part, Pump) and part.well == well
    ]
    level = getattr(plant.equipment[well], "level", None)
    for name, part in plant.equipment.items():
        is_group = isinstance(part, Group) and part.members[0] in pumps
        is_meter = isinstance(part, Meter) and (
            part.flow_of == well or (part.measures == "level" and part.point == level)
        )
        if name in pumps or is_group or is_meter:
            yield name
