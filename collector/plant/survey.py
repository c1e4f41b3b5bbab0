"""The parts of a plant file that can be understood, even where others cannot.

References are checked on it, so that a misspelt role is told together with a wrong number
elsewhere. A part that exists but is itself wrong stands as None: naming it is no mistake, and
nothing more is said about it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from collector.plant.equipment import Equipment
from collector.plant.model import Link, Panel, Plant, PlantFacts, Point
from collector.plant.names import maybe_name

Part = TypeVar("Part")

LINK: TypeAdapter[Link] = TypeAdapter(Link)
PANEL: TypeAdapter[Panel] = TypeAdapter(Panel)
POINT: TypeAdapter[Point] = TypeAdapter(Point)
EQUIPMENT: TypeAdapter[Equipment] = TypeAdapter(Equipment)
FACTS: TypeAdapter[PlantFacts] = TypeAdapter(PlantFacts)


@dataclass(slots=True)
class Survey:
    """What stands in a plant file, by name; None where it is there but wrong.

    Args:
        facts: the plant's name, title and time zone.
        links, panels, equipment: by name.
        points: by name of the panel and of the point.
    """

    facts: PlantFacts | None = None
    links: dict[str, Link | None] = field(default_factory=dict)
    panels: dict[str, Panel | None] = field(default_factory=dict)
    points: dict[tuple[str, str], Point | None] = field(default_factory=dict)
    equipment: dict[str, Equipment | None] = field(default_factory=dict)

    def whole_panels(self) -> Iterator[tuple[str, Panel]]:
        """The panels that are right, by name."""
        for name, panel in self.panels.items():
            if panel is not None:
                yield name, panel

    def whole_points(self) -> Iterator[tuple[str, str, Point]]:
        """The points that are right, with panel and name."""
        for (panel, name), point in self.points.items():
            if point is not None:
                yield panel, name, point

    def whole_equipment(self) -> Iterator[tuple[str, Equipment]]:
        """The equipment that is right, by name."""
        for name, part in self.equipment.items():
            if part is not None:
                yield name, part


def survey_of(plant: Plant) -> Survey:
    """The survey of a plant whose every part is right."""
    return Survey(
        plant.plant,
        dict(plant.links),
        dict(plant.panels),
        {
            (panel_name, name): point
            for panel_name, panel in plant.panels.items()
            for name, point in panel.points.items()
        },
        dict(plant.equipment),
    )


def salvage(data: Any) -> Survey:
    """The survey of a plant file that is wrong somewhere.

    Args:
        data: plain values of the file.
    """
    survey = Survey(facts=_maybe(FACTS, _block(data).get("plant")))
    for name, raw in _named(_block(data).get("links")):
        survey.links[name] = _maybe(LINK, raw)
    for name, raw in _named(_block(data).get("panels")):
        right = {}
        for point_name, raw_point in _named(_block(raw).get("points")):
            point = _maybe(POINT, raw_point)
            survey.points[name, point_name] = point
            if point is not None:
                right[point_name] = raw_point
        survey.panels[name] = _maybe(PANEL, {**_block(raw), "points": right})
    for name, raw in _named(_block(data).get("equipment")):
        survey.equipment[name] = _maybe(EQUIPMENT, raw)
    return survey


def _named(value: Any) -> Iterator[tuple[str, Any]]:
    """The entries of a block; those of wrong names as None, under the name that was meant."""
    for key, raw in _block(value).items():
        meant = maybe_name(str(key))
        if isinstance(key, str) and meant == key:
            yield key, raw
        elif meant is not None and meant not in value:
            yield meant, None


def _block(value: Any) -> dict[Any, Any]:
    return value if isinstance(value, dict) else {}


def _maybe(adapter: TypeAdapter[Part], raw: Any) -> Part | None:
    try:
        return adapter.validate_python(raw)
    except ValidationError:
        return None
