"""What each kind of equipment must be in itself: heights that rise, groups that fit together.

Pump curves and rising mains are in ``station_rules.py``, what passes through filters and tanks in
``process_rules.py``.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from collector.plant.equipment import (
    MEMBER_KINDS,
    Equipment,
    Group,
    Mains,
    Meter,
    Pump,
    Well,
)
from collector.plant.findings import Finding, nearest_name
from collector.plant.process_rules import process_findings
from collector.plant.references import quantity_finding
from collector.plant.station_rules import main_findings, pump_findings
from collector.plant.survey import Survey

QUANTITY_OF_MEASURE: dict[str, str | None] = {
    "flow": "flow",
    "volume": "volume",
    "level": "length",
    "residual": "concentration",
    "turbidity": "turbidity",
    "power": "power",
    "energy": "energy",
    "other": None,
}


def equipment_findings(survey: Survey) -> Iterator[Finding]:
    """Everything wrong within the equipment of a plant file.

    Args:
        survey: its parts, as far as they are right.
    """
    floats: dict[str, str] = {}
    for name, part in survey.whole_equipment():
        for finding in _of_kind(part, survey, floats, name):
            yield finding.below("equipment", name)


def _of_kind(
    part: Equipment, survey: Survey, floats: dict[str, str], name: str
) -> Iterator[Finding]:
    if isinstance(part, Well):
        yield from _floats(part)
        yield from _volumes(part)
        yield from _float_contacts(part, floats, name)
        yield from main_findings(name, part, survey)
    elif isinstance(part, Pump):
        yield from pump_findings(part, survey)
    elif isinstance(part, Group):
        yield from _group(part, survey)
    elif isinstance(part, Meter):
        yield from _meter(part, survey)
    elif isinstance(part, Mains):
        yield from _mains(part, survey)
    yield from process_findings(part, survey)


def _floats(well: Well) -> Iterator[Finding]:
    floats = well.floats.by_role()
    if not floats and well.level is None:
        yield Finding(
            (), "neither 'floats' nor 'level'", "one of them, to know the level", at_key=True
        )
    for role, switch in floats:
        if switch.breaks_m > switch.makes_at_m:
            yield Finding(
                ("floats", role, "breaks_at_m"),
                f"{switch.breaks_m:g} m",
                f"at most {switch.makes_at_m:g} m, where it makes",
            )
    for (lower_role, lower), (role, switch) in pairwise(floats):
        if switch.makes_at_m <= lower.makes_at_m:
            yield Finding(
                ("floats", role, "makes_at_m"),
                f"{switch.makes_at_m:g} m",
                f"more than {lower.makes_at_m:g} m, where '{lower_role}' makes",
            )
    if floats and well.overflow_m is not None:
        role, highest = max(floats, key=lambda pair: pair[1].makes_at_m)
        if well.overflow_m <= highest.makes_at_m:
            yield Finding(
                ("overflow_m",),
                f"{well.overflow_m:g} m",
                f"more than {highest.makes_at_m:g} m, where '{role}' makes",
            )


def _volumes(well: Well) -> Iterator[Finding]:
    rows = well.volume_table
    if rows is None:
        return
    if well.plan_area_m2 is not None:
        yield Finding(
            ("volume_table",), "'volume_table' beside 'plan_area_m2'", "one of the two", at_key=True
        )
    for position, (before, row) in enumerate(pairwise(rows), start=1):
        for key, low, here, unit in (
            ("level_m", before.level_m, row.level_m, "m"),
            ("volume_m3", before.volume_m3, row.volume_m3, "m3"),
        ):
            if here <= low:
                yield Finding(
                    ("volume_table", position, key),
                    f"{here:g} {unit}",
                    f"more than {low:g} {unit}, as in the row before",
                )
    heights = [switch.makes_at_m for _, switch in well.floats.by_role()]
    heights += [switch.breaks_m for _, switch in well.floats.by_role()]
    low, high = rows[0].level_m, rows[-1].level_m
    if heights and not (low <= min(heights) and max(heights) <= high):
        yield Finding(
            ("volume_table",),
            f"rows from {low:g} m to {high:g} m",
            f"rows from {min(heights):g} m or lower to {max(heights):g} m or higher, "
            "where the floats are",
        )


def _float_contacts(well: Well, floats: dict[str, str], name: str) -> Iterator[Finding]:
    for role, switch in well.floats.by_role():
        here = f"{name}.floats.{role}"
        other = floats.setdefault(switch.point, here)
        if other != here:
            yield Finding(
                ("floats", role, "point"),
                f"'{switch.point}', the contact of {other}",
                "a contact of its own",
            )


def _group(group: Group, survey: Survey) -> Iterator[Finding]:
    first = survey.equipment.get(group.members[0])
    if first is not None and first.kind not in MEMBER_KINDS:
        first = None
    for position, member in enumerate(group.members):
        path = ("members", position)
        part = survey.equipment.get(member)
        if member in group.members[:position]:
            yield Finding(path, f"'{member}' a second time", "each member once")
        elif first is None or part is None or part.kind not in MEMBER_KINDS:
            continue
        elif part.kind != first.kind:
            yield Finding(
                path,
                f"'{member}', which is a {part.kind.replace('_', ' ')}",
                f"a {first.kind.replace('_', ' ')}, as '{group.members[0]}' is",
            )
        elif (
            isinstance(part, Pump)
            and isinstance(first, Pump)
            and part.well != first.well
            and all(isinstance(survey.equipment.get(pump.well), Well) for pump in (first, part))
        ):
            yield Finding(
                path,
                f"'{member}' of well '{part.well}'",
                f"a pump of well '{first.well}', as '{group.members[0]}' is",
            )
    if group.needed > len(group.members):
        yield Finding(
            ("needed",), str(group.needed), f"at most {len(group.members)}, the number of members"
        )


def _meter(meter: Meter, survey: Survey) -> Iterator[Finding]:
    panel, _, name = meter.point.partition(".")
    point = survey.points.get((panel, name))
    if point is not None:
        finding = quantity_finding(meter.point, point, QUANTITY_OF_MEASURE[meter.measures])
        if finding is not None:
            yield finding.below("point")


def _mains(mains: Mains, survey: Survey) -> Iterator[Finding]:
    for position, panel in enumerate(mains.panels):
        if panel not in survey.panels:
            yield Finding(
                ("panels", position),
                f"'{panel}'",
                "the name of a panel",
                nearest_name(panel, survey.panels),
            )
        elif panel in mains.panels[:position]:
            yield Finding(("panels", position), f"'{panel}' a second time", "each panel once")
