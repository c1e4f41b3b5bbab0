"""Every name a rule may use, from a plant: what it stands for, its type, unit and words.

A full name is ``owner.name``; an owner is a piece of equipment, a panel, or ``collector``. A role
is another name for the point it names: ``collection.high`` is the fact ``works.collection_high``.

In a rule the owner may also be ``this``, what the rule is bound to, and what belongs to it:
``this_panel`` its contacts are on, ``this_supply`` that panel hangs on, ``this_well`` it empties or
its water comes from, ``this_group`` it is in.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import get_args

from collector.core.conditions.contract import Name
from collector.core.own_points import COLLECTOR, OWN_POINTS
from collector.core.quantities import QUANTITIES
from collector.plant.equipment import Group, Mains, Meter, Pump, Well
from collector.plant.model import Plant, Point
from collector.plant.registers import point_kind
from collector.rulebook.roles import Role, roles_of
from collector.rulebook.told import TOLD, WORDS
from collector.rulebook.told_form import Told
from collector.units import UNITS, Unit

THIS, PLANT = "this", "plant"
RELATIONS: dict[str, str] = {
    "this_panel": "panel",
    "this_supply": "mains",
    "this_well": "well",
    "this_group": "group",
}
"""What belongs to the equipment a rule is bound to, and its kind."""

SPOKEN = {"mains": "supply"}
"""Kinds as people call what belongs to something, where they call it otherwise."""

RESERVED = frozenset({THIS, PLANT, COLLECTOR, *RELATIONS})
"""Names that no panel or equipment of a plant file may have."""

MEASURED = tuple(
    word for word in get_args(Meter.model_fields["measures"].annotation) if word != "other"
)
"""What a meter may measure; its point has that name too, so that a rule is for each such one."""

KIND_MEASURED = {"level": "length", "residual": "concentration"}
"""Kinds of quantity (``units.py``) that are called otherwise than what is measured."""

Own = dict[str, Name]
"""What one owner has, by the last part of its name."""


def kind_of(plant: Plant, owner: str) -> str | None:
    """The kind of an owner; None where the plant has none of the name."""
    if owner in (COLLECTOR, PLANT):
        return owner
    if owner in plant.panels:
        return "panel"
    part = plant.equipment.get(owner)
    return None if part is None else part.kind


def owners_of(plant: Plant, kind: str) -> list[str]:
    """Everything of a kind, in the order of the plant file."""
    if kind in (COLLECTOR, PLANT):
        return [kind]
    if kind == "panel":
        return list(plant.panels)
    return [name for name, part in plant.equipment.items() if part.kind == kind]


def title_of(plant: Plant, owner: str) -> str:
    """What people call an owner."""
    if owner == COLLECTOR:
        return "Collector"
    if owner == PLANT:
        return plant.plant.title
    if owner in plant.panels:
        return plant.panels[owner].title or owner
    return plant.equipment[owner].title


def names_of(plant: Plant, owner: str) -> Own:
    """Everything that is known of one owner."""
    kind = kind_of(plant, owner)
    if kind == COLLECTOR:
        return _own_points()
    if kind is None or kind == PLANT:
        return {}
    part = plant.panels[owner] if kind == "panel" else plant.equipment[owner]
    found: Own = {}
    if kind == "panel":
        for name, point in plant.panels[owner].points.items():
            found[name] = _point_name(f"{owner}.{name}", point, point.note or "")
    for role in roles_of(kind):
        written = role.point_of(part)
        if written is not None:
            found[role.name] = _point_name(written, _point(plant, written), role.means)
    if isinstance(part, Meter) and part.measures != "other":
        found[part.measures] = found["point"]
    for told in TOLD[kind]:
        if told.there(plant, owner, part):
            found[told.name] = _told_name(owner, told)
    return found


def vocabulary_of(plant: Plant, owner: str | None = None) -> dict[str, Name]:
    """Every name there is in a plant, with ``this`` and what belongs to it.

    Args:
        plant: a checked plant file.
        owner: what ``this`` is; None leaves such names out.
    """
    found = _qualified((name, names_of(plant, name)) for name in _everything(plant))
    return found if owner is None else found | own_vocabulary(plant, owner)


def own_vocabulary(plant: Plant, owner: str) -> dict[str, Name]:
    """The names with ``this`` and what belongs to it, for one owner."""
    named = {THIS: owner, **related(plant, owner)}
    return _qualified((word, names_of(plant, name)) for word, name in named.items())


def vocabulary_of_kind(plant: Plant | None, kind: str) -> dict[str, Name]:
    """Every name that a rule for each of a kind could use, whatever the equipment may lack.

    The facts of ``this`` and what belongs to it are called as people read them ("this pump"), since
    nothing is asked of them.

    Args:
        plant: a checked plant file; without one, only what kinds of equipment have.
        kind: of the equipment.
    """
    found = {} if plant is None else vocabulary_of(plant)
    for word, each in {THIS: kind, **RELATIONS}.items():
        spoken = f"{'this' if word == THIS else 'its'} {SPOKEN.get(each, each.replace('_', ' '))}"
        for last, name in _names_of_kind(plant, each).items():
            found[f"{word}.{last}"] = replace(name, fact=f"{spoken}.{last}")
    return found


def needs_of(kind: str, name: str) -> str:
    """What equipment of a kind needs to have a name, in words; empty where all of it has."""
    for role in roles_of(kind):
        if role.name == name:
            if len(role.path) > 1:
                return f"a {role.name.replace('_', '-')} float"
            return f"a '{role.name}' point" if role.optional else ""
    for told in TOLD.get(kind, ()):
        if told.name == name:
            return told.needs
    if kind == "meter" and name in MEASURED:
        return f"{name} to measure"
    return f"a '{name}' point"


def related(plant: Plant, owner: str) -> dict[str, str]:
    """What belongs to an owner, by the words of ``RELATIONS``; what there is not is left out."""
    panel = _panel_of(plant, owner)
    found = {
        "this_panel": panel,
        "this_supply": _supply_of(plant, panel),
        "this_well": _well_of(plant, owner),
        "this_group": next(
            (
                name
                for name, part in plant.equipment.items()
                if isinstance(part, Group) and owner in part.members
            ),
            None,
        ),
    }
    return {word: name for word, name in found.items() if name is not None}


# --- of one owner -------------------------------------------------------------------------------


def _panel_of(plant: Plant, owner: str) -> str | None:
    """The panel an owner's first point is on; a group's is that of its first member."""
    if owner in plant.panels:
        return owner
    part = plant.equipment.get(owner)
    if part is None:
        return None
    if isinstance(part, Group):
        return _panel_of(plant, part.members[0])
    points = [role.point_of(part) for role in roles_of(part.kind)]
    first = next((point for point in points if point is not None), None)
    return None if first is None else first.partition(".")[0]


def _supply_of(plant: Plant, panel: str | None) -> str | None:
    return next(
        (
            name
            for name, part in plant.equipment.items()
            if isinstance(part, Mains) and panel in part.panels
        ),
        None,
    )


def _well_of(plant: Plant, owner: str) -> str | None:
    part = plant.equipment.get(owner)
    if isinstance(part, Group):
        return _well_of(plant, part.members[0])
    if isinstance(part, Pump):
        return part.well
    named = part.flow_of if isinstance(part, Meter) else getattr(part, "flow_from", None)
    return named if isinstance(plant.equipment.get(named or ""), Well) else None


def _everything(plant: Plant) -> list[str]:
    return [*plant.panels, *plant.equipment, COLLECTOR]


def _qualified(owners: Iterable[tuple[str, Own]]) -> dict[str, Name]:
    return {f"{owner}.{last}": name for owner, own in owners for last, name in own.items()}


# --- of a kind ----------------------------------------------------------------------------------


def _names_of_kind(plant: Plant | None, kind: str) -> Own:
    """What equipment of a kind could have; types and units as those have that there are."""
    if kind == COLLECTOR:
        return _own_points()
    found = {role.name: _role_name(role) for role in roles_of(kind)}
    if kind == "meter":
        found |= {each: _measured(each) for each in MEASURED}
    found |= {told.name: _told_name(THIS, told) for told in TOLD.get(kind, ())}
    if plant is not None:
        for owner in owners_of(plant, kind):
            found |= names_of(plant, owner)
    return found


def _measured(what: str) -> Name:
    kind = KIND_MEASURED.get(what, what)
    unit = next(unit for unit in UNITS.values() if unit.kind == kind)
    return Name(f"{THIS}.{what}", "number", unit, means=f"the {what} it measures")


def _role_name(role: Role) -> Name:
    if role.point_kinds == ("contact",):
        return Name(f"{THIS}.{role.name}", "yes or no", means=role.means)
    units = [unit for unit in UNITS.values() if unit.kind == role.measures]
    unit = units[0] if units else UNITS["1"]
    return Name(f"{THIS}.{role.name}", "number", unit, means=role.means)


# --- single names -------------------------------------------------------------------------------


def _own_points() -> Own:
    return {
        name: Name(f"{COLLECTOR}.{name}", own.type, own.unit, means=own.means)
        for name, own in OWN_POINTS.items()
    }


def _point(plant: Plant, written: str) -> Point:
    panel, _, name = written.partition(".")
    return plant.panels[panel].points[name]


def _point_name(fact: str, point: Point, means: str) -> Name:
    kind = point_kind(point)
    if kind == "contact":
        return Name(fact, "yes or no", means=means)
    if kind == "enumeration":
        return Name(fact, "word", words=tuple((point.states or {}).values()), means=means)
    return Name(fact, "number", _unit(point), means=means)


def _unit(point: Point) -> Unit:
    return UNITS[point.unit] if point.unit is not None else UNITS["1"]


def _told_name(owner: str, told: Told) -> Name:
    fact = f"{owner}.{told.name}"
    if told.finding:
        return Name(fact, "yes or no", means=told.means)
    quantity = QUANTITIES[told.name]
    if quantity.text:
        return Name(fact, "word", words=WORDS.get(told.name, ()), means=quantity.means)
    return Name(fact, "number", quantity.unit, means=quantity.means)
