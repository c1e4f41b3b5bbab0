"""The points that equipment names by role, as rules name them: ``this.fault``, ``this.high``.

A role's name is its key in the plant file, that of a float the float's (``high``, not ``point``).
Where a quantity or a finding of the kind has the same name, the role is told apart by what its
point is: ``tank_low_contact``, ``level_measured``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any, get_args

from collector.plant.equipment import Equipment, Part
from collector.plant.findings import Path
from collector.plant.shapes import Shape, shapes_of
from collector.rulebook.told import TOLD

MODELS: dict[str, type[Part]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model
    for model in get_args(get_args(Equipment)[0])
}
"""The model of each kind of equipment."""


@dataclass(frozen=True, slots=True)
class Role:
    """One role of a kind of equipment.

    Args:
        name: as rules name it.
        path: keys below the equipment in the plant file.
        point_kinds: what its point may be.
        measures: kind of quantity its unit must have, or None.
        optional: whether equipment may be without it.
        means: one line for people.
    """

    name: str
    path: Path
    point_kinds: tuple[str, ...]
    measures: str | None
    optional: bool
    means: str

    def point_of(self, part: Any) -> str | None:
        """The point a piece of equipment names by it; None where it names none."""
        for key in self.path:
            part = getattr(part, str(key))
            if part is None:
                return None
        return str(part)


@cache
def roles_of(kind: str) -> tuple[Role, ...]:
    """The roles of a kind of equipment; none of what is no equipment."""
    if kind not in MODELS:
        return ()
    taken = {told.name for told in TOLD[kind]}
    return tuple(_named(role, taken) for role in _found(kind))


def _named(role: Role, taken: set[str]) -> Role:
    if role.name not in taken:
        return role
    suffix = "contact" if role.point_kinds == ("contact",) else "measured"
    name = f"{role.name}_{suffix}"
    return Role(name, role.path, role.point_kinds, role.measures, role.optional, role.means)


def _found(kind: str) -> Iterator[Role]:
    shapes = shapes_of(MODELS[kind])
    root = shapes.root
    for key in root["properties"]:
        shape = shapes.inner(root, key)
        assert shape is not None  # it is one of the properties
        optional = key not in root.get("required", ())
        if "point_kinds" in shape:
            yield _role(key, (key,), shape, optional=optional, means=shape["description"])
            continue
        for inner_key in shape.get("properties", {}):  # the floats of a well
            inner = shapes.inner(shape, inner_key)
            point = None if inner is None else shapes.inner(inner, "point")
            if inner is not None and point is not None and "point_kinds" in point:
                path = (key, inner_key, "point")
                means = f"its {inner_key.replace('_', '-')} float is lifted"
                yield _role(inner_key, path, point, optional=True, means=means)


def _role(name: str, path: Path, shape: Shape, *, optional: bool, means: str) -> Role:
    return Role(name, path, tuple(shape["point_kinds"]), shape.get("measures"), optional, means)
