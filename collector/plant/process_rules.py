"""What flows through filters and tanks, rates of dosing and meters must be in themselves.

A flow comes from the pumps of a well or from a meter of flow or volume, from nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator

from collector.plant.equipment import (
    Blower,
    Clarifier,
    ContactTank,
    DosingPump,
    Equipment,
    Filter,
    Group,
    Meter,
)
from collector.plant.findings import Finding
from collector.plant.survey import Survey

FLOWING = ("flow", "volume")


def process_findings(part: Equipment, survey: Survey) -> Iterator[Finding]:
    """Everything wrong within a part that air, water or chemicals pass.

    Args:
        part: any equipment; what has no such keys has no findings.
        survey: the parts of the file, as far as they are right.
    """
    if isinstance(part, Filter | DosingPump | ContactTank | Clarifier):
        yield from _flow_from(part, survey)
    if isinstance(part, DosingPump):
        yield from _dosing(part)
    elif isinstance(part, Filter):
        yield from _only_with(part, "vacuum_tolerance_percent", "vacuum_l_per_min")
        yield from _only_with(part, "wash_returns_to", "vacuum_l_per_min")
        yield from _only_with(part, "wash_returns_to", "vacuum_pump")
    elif isinstance(part, Meter) and part.flow_of is not None and part.measures not in FLOWING:
        yield Finding(
            ("flow_of",),
            f"'flow_of' of a meter of {part.measures}",
            "it only with 'measures: flow' or 'measures: volume'",
            at_key=True,
        )
    elif isinstance(part, Group) and part.serves:
        members = [survey.equipment.get(name) for name in part.members]
        if any(member is not None and not isinstance(member, Blower) for member in members):
            yield Finding(
                ("serves",),
                "'serves' of machines that give no air",
                "it only for a group of blowers",
                at_key=True,
            )


def _flow_from(
    part: Filter | DosingPump | ContactTank | Clarifier, survey: Survey
) -> Iterator[Finding]:
    source = None if part.flow_from is None else survey.equipment.get(part.flow_from)
    if isinstance(source, Meter) and source.measures not in FLOWING:
        yield Finding(
            ("flow_from",),
            f"'{part.flow_from}', a meter of {source.measures}",
            "a well, or a meter of flow or volume",
        )


def _dosing(pump: DosingPump) -> Iterator[Finding]:
    if pump.run is None and pump.strokes is None:
        yield Finding(
            (), "neither 'run' nor 'strokes'", "one of them, to know that it doses", at_key=True
        )
    if pump.rate_tolerance_percent is not None and (
        pump.rated_l_per_h is None and pump.ml_per_stroke is None
    ):
        yield Finding(
            ("rate_tolerance_percent",),
            "'rate_tolerance_percent' without a rate",
            "it only with 'rated_l_per_h' or 'ml_per_stroke'",
            at_key=True,
        )
    yield from _only_with(pump, "low_at_l", "tank_low")
    if (
        pump.low_at_l is not None
        and pump.day_tank_l is not None
        and pump.low_at_l >= pump.day_tank_l
    ):
        yield Finding(
            ("low_at_l",),
            f"{pump.low_at_l:g} L",
            f"less than the full tank's {pump.day_tank_l:g} L",
        )


def _only_with(part: DosingPump | Filter, key: str, other: str) -> Iterator[Finding]:
    if getattr(part, key) is not None and getattr(part, other) is None:
        yield Finding((key,), f"'{key}' without '{other}'", "it only with one", at_key=True)
