"""The contacts that belong to a piece of equipment, named by what they do there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from collector.plant.equipment import Group, Pump, Well
from collector.plant.model import Plant
from collector.plant.registers import point_kind


def contacts_of(plant: Plant, name: str) -> list[tuple[str, str]]:
    """Label and point of each; of a well with the runs of its pumps, of a group those of all."""
    return list(_of(plant, name, ""))


def _of(plant: Plant, name: str, before: str) -> Iterator[tuple[str, str]]:
    part = plant.equipment[name]
    if isinstance(part, Group):
        for member in part.members:
            yield from _of(plant, member, f"{plant.equipment[member].title}: ")
        return
    if isinstance(part, Well):
        floats = sorted(part.floats.by_role(), key=lambda pair: -pair[1].makes_at_m)
        for role, switch in floats:
            yield f"{role.replace('_', '-')} float", switch.point
        for other in plant.equipment.values():
            if isinstance(other, Pump) and other.well == name:
                yield f"{other.title}: run", other.run
        return
    for role, point in _roles(part.model_dump(), plant):
        yield f"{before}{role.replace('_', ' ')}", point


def _roles(values: Mapping[str, object], plant: Plant) -> Iterator[tuple[str, str]]:
    for role, value in values.items():
        if isinstance(value, str):
            panel, dot, point = value.partition(".")
            known = plant.panels[panel].points.get(point) if panel in plant.panels else None
            if dot and known is not None and point_kind(known) == "contact":
                yield role, value
