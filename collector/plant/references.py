"""What must exist because another part of the file names it, and what must not be used twice.

The roles of equipment are followed by the marks of its models (``equipment.py``), so that a new
role needs nothing here.
"""

from __future__ import annotations

from collections.abc import Iterator
from zoneinfo import available_timezones

from collector.plant.equipment import Equipment
from collector.plant.findings import Finding, Path, nearest_name
from collector.plant.model import Point
from collector.plant.registers import point_kind, resolve
from collector.plant.shapes import Shape, either, shapes_of
from collector.plant.survey import Survey
from collector.plant.yaml_source import SourceTree
from collector.units import UNITS

NAMES_TAKEN = {
    "collector": "the collector itself",
    "plant": "the plant as a whole",
    "this": "what a rule is bound to",
    "this_panel": "the panel of what a rule is bound to",
    "this_supply": "the supply of what a rule is bound to",
    "this_well": "the well of what a rule is bound to",
    "this_group": "the group of what a rule is bound to",
}


def reference_findings(survey: Survey, tree: SourceTree) -> Iterator[Finding]:
    """Everything wrong with what the parts of a plant file say of each other.

    Args:
        survey: its parts, as far as they are right.
        tree: the file.
    """
    yield from _time_zone(survey)
    yield from _names_twice(survey)
    yield from _names_taken(survey)
    for name, part in survey.whole_equipment():
        yield from _roles(name, part, survey, tree)
    yield from _contacts_twice(survey)


def _time_zone(survey: Survey) -> Iterator[Finding]:
    if survey.facts is None:
        return
    zones = available_timezones()
    written = survey.facts.time_zone
    if written not in zones:
        yield Finding(
            ("plant", "time_zone"),
            f"'{written}'",
            "an IANA time zone, such as Europe/Berlin",
            nearest_name(written, sorted(zones)),
        )


def _names_twice(survey: Survey) -> Iterator[Finding]:
    for name in survey.equipment:
        if name in survey.panels:
            yield Finding(
                ("equipment", name),
                f"'{name}', which is the name of a panel",
                "a name of its own, since both are published side by side",
                at_key=True,
            )


def _names_taken(survey: Survey) -> Iterator[Finding]:
    for section, names in (("panels", survey.panels), ("equipment", survey.equipment)):
        for name in names:
            if name in NAMES_TAKEN:
                yield Finding(
                    (section, name),
                    f"'{name}', which in rules means {NAMES_TAKEN[name]}",
                    "another name",
                    at_key=True,
                )


def _roles(name: str, part: Equipment, survey: Survey, tree: SourceTree) -> Iterator[Finding]:
    path: Path = ("equipment", name)
    for at, written, shape in shapes_of(type(part)).marked(tree.value(path)):
        if "point_kinds" in shape:
            finding = _point_role(written, shape, survey)
        else:
            finding = _equipment_role(written, shape, survey)
        if finding is not None:
            yield finding.below(*path, *at)


def _point_role(written: str, shape: Shape, survey: Survey) -> Finding | None:
    panel, _, name = written.partition(".")
    if (panel, name) not in survey.points:
        if survey.panels.get(panel, True) is None and all(
            panel != owner for owner, _ in survey.points
        ):
            return None  # its points cannot be read at all, which is told already
        expected = "a point, written panel.point"
        if panel in survey.panels:
            expected = f"a point of panel '{panel}'"
        return Finding((), f"'{written}'", expected, _nearest_point(written, survey))
    point = survey.points[panel, name]
    if point is None or isinstance(resolve(point), Finding):
        return None
    kind = point_kind(point)
    if kind not in shape["point_kinds"]:
        return Finding(
            (),
            f"'{written}', which is {_with_article(kind)}",
            " or ".join(_with_article(wanted) for wanted in shape["point_kinds"]),
        )
    return quantity_finding(written, point, shape.get("measures"))


def quantity_finding(written: str, point: Point, quantity: str | None) -> Finding | None:
    """What is wrong with the unit of a point that must measure a quantity; None if nothing is.

    Args:
        written: the point as the file names it.
        point: the point.
        quantity: kind of quantity (``units.py``), or None where any will do.
    """
    if quantity is None or (point.unit is not None and point.unit not in UNITS):
        return None
    fitting = [unit.code for unit in UNITS.values() if unit.kind == quantity]
    expected = f"a point in a unit of {quantity}: {', '.join(fitting)}"
    if point.unit is None:
        return Finding((), f"'{written}', which has no unit", expected)
    if UNITS[point.unit].kind != quantity:
        return Finding((), f"'{written}', which is in '{point.unit}'", expected)
    return None


def _nearest_point(written: str, survey: Survey) -> str | None:
    """The closest point of the same panel, else of any, else the one point of that name."""
    panel, dot, name = written.partition(".")
    if not dot:
        owners = [owner for owner, point in survey.points if point == panel]
        return f"{owners[0]}.{panel}" if len(owners) == 1 else None
    own = nearest_name(name, [point for owner, point in survey.points if owner == panel])
    if own is not None:
        return f"{panel}.{own}"
    return nearest_name(written, [f"{owner}.{point}" for owner, point in survey.points])


def _equipment_role(written: str, shape: Shape, survey: Survey) -> Finding | None:
    wanted = shape["equipment_kinds"]
    expected = f"the name of a {either(kind.replace('_', ' ') for kind in wanted)}"
    if written not in survey.equipment:
        fitting = [name for name, part in survey.whole_equipment() if part.kind in wanted]
        return Finding((), f"'{written}'", expected, nearest_name(written, fitting))
    part = survey.equipment[written]
    if part is not None and part.kind not in wanted:
        return Finding((), f"'{written}', which is {_with_article(part.kind)}", expected)
    return None


def _contacts_twice(survey: Survey) -> Iterator[Finding]:
    """One run contact belongs to one machine."""
    runs: dict[str, str] = {}
    for name, part in survey.whole_equipment():
        run = getattr(part, "run", None)
        if run is None:
            continue
        other = runs.setdefault(run, name)
        if other != name:
            yield Finding(
                ("equipment", name, "run"),
                f"'{run}', the run contact of '{other}'",
                "a contact of its own",
            )
        for key in ("fault", "auto"):
            if getattr(part, key, None) == run:
                yield Finding(
                    ("equipment", name, key), f"'{run}', its run contact too", "another contact"
                )


def _with_article(noun: str) -> str:
    spaced = noun.replace("_", " ")
    return f"{'an' if spaced[0] in 'aeiou' else 'a'} {spaced}"
