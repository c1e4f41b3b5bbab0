"""What of a plant file something needs: conditions on one piece of equipment.

Each takes the plant, the name of the equipment and its model; ``told.py`` says what needs what.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from collector.core.wells.geometry import maybe_geometry_of
from collector.plant.equipment import Group, Pump, Well
from collector.plant.model import Plant

Needed = Callable[[Plant, str, Any], bool]
"""Whether equipment of a name and model in a plant has what something needs."""


def pumps_of(plant: Plant, well: str) -> dict[str, Pump]:
    """The pumps of a well by name."""
    return {
        name: part
        for name, part in plant.equipment.items()
        if isinstance(part, Pump) and part.well == well
    }


# --- of anything --------------------------------------------------------------------------------


def nothing(plant: Plant, name: str, part: Any) -> bool:
    """Every piece of the kind has it."""
    del plant, name, part
    return True


def keys(*named: str) -> Needed:
    """The plant file gives all of these keys."""

    def there(plant: Plant, name: str, part: Any) -> bool:
        del plant, name
        return all(getattr(part, key) is not None for key in named)

    return there


def all_of(*needed: Needed) -> Needed:
    """Everything that these need."""
    return lambda plant, name, part: all(each(plant, name, part) for each in needed)


def alone(plant: Plant, name: str, part: Any) -> bool:
    """A machine that is in no group."""
    del part
    groups = [group for group in plant.equipment.values() if isinstance(group, Group)]
    return not any(name in group.members for group in groups)


def members(*kinds: str) -> Needed:
    """A group of machines of one of these kinds."""

    def there(plant: Plant, name: str, part: Any) -> bool:
        del name
        return any(plant.equipment[member].kind in kinds for member in part.members)

    return there


# --- of wells and their pumps -------------------------------------------------------------------


def floats(plant: Plant, name: str, part: Any) -> bool:
    """A well with floats."""
    del plant, name
    return bool(part.floats.by_role())


def switch(role: str) -> Needed:
    """A well with the float of a role."""
    return lambda plant, name, part: getattr(part.floats, role) is not None


def stop_float(plant: Plant, name: str, part: Any) -> bool:
    """A well with the float that stops its pumps."""
    del plant, name
    return part.floats.low is not None or part.floats.start_1 is not None


def flows(plant: Plant, name: str, part: Any) -> bool:
    """A well whose flows are estimated."""
    return maybe_geometry_of(part) is not None and bool(pumps_of(plant, name))


def two_pumps(plant: Plant, name: str, part: Any) -> bool:
    """A well with more than one pump."""
    del part
    return len(pumps_of(plant, name)) > 1


def alternating(plant: Plant, name: str, part: Any) -> bool:
    """A well whose pumps lead in turn."""
    del part
    pumps = set(pumps_of(plant, name))
    return any(
        isinstance(group, Group) and group.duty == "alternating" and bool(pumps & {*group.members})
        for group in plant.equipment.values()
    )


def judged_pumps(plant: Plant, name: str, part: Any) -> bool:
    """A well with pumps of which a contact says whether they can be called."""
    del part
    return any(
        pump.fault is not None or pump.auto is not None for pump in pumps_of(plant, name).values()
    )


def _visiting(plant: Plant, part: Well) -> bool:
    points = [each.point for _, each in part.floats.by_role()]
    points += [] if part.level is None else [part.level]
    return any(plant.panels[point.partition(".")[0]].visits for point in points)


def stays(plant: Plant, name: str, part: Any) -> bool:
    """A well that is always there."""
    del name
    return not _visiting(plant, part)


def comes(plant: Plant, name: str, part: Any) -> bool:
    """A towed tank."""
    del name
    return part.docked is not None or _visiting(plant, part)


def of_its_well(needed: Needed) -> Needed:
    """A pump whose well has what is needed."""

    def there(plant: Plant, name: str, part: Any) -> bool:
        del name
        return needed(plant, part.well, plant.equipment[part.well])

    return there


def curve(plant: Plant, name: str, part: Any) -> bool:
    """A pump with a curve that pushes through a main."""
    del name
    well = plant.equipment[part.well]
    return isinstance(well, Well) and well.main is not None and part.curve is not None


# --- of the rest --------------------------------------------------------------------------------


def rate(plant: Plant, name: str, part: Any) -> bool:
    """A dosing pump whose use can be counted."""
    del plant, name
    by_strokes = part.strokes is not None and part.ml_per_stroke is not None
    return by_strokes or (part.run is not None and part.rated_l_per_h is not None)


def fed_by_pumps(plant: Plant, name: str, part: Any) -> bool:
    """A dosing pump into water that pumps send."""
    del name
    return part.flow_from is not None and bool(pumps_of(plant, part.flow_from))


def measuring(*what: str) -> Needed:
    """A meter of one of these."""
    return lambda plant, name, part: part.measures in what
