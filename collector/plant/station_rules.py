"""What a pump's curve and its well's main must be, each in itself and both together.

A curve falls: more flow, less head. Curve and main are of use only together, so either alone is
refused; and a pump that could not lift water out of a full well has a wrong unit somewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from collector.plant.equipment import CurvePoint, Pump, Well
from collector.plant.findings import Finding
from collector.plant.survey import Survey
from collector.units import UNITS

ROUGHEST = 0.05
"""Roughness over diameter; Moody's chart (Trans. ASME 66 (1944) 671) ends there."""

SPEED_KINDS = ("number", "frequency")


def main_findings(name: str, well: Well, survey: Survey) -> Iterator[Finding]:
    """Everything wrong with a well's main.

    Args:
        name: of the well.
        well: the well.
        survey: the parts of the plant file, as far as they are right.
    """
    main = well.main
    if main is None:
        return
    stated = [key for key in ("hazen_williams_c", "roughness_mm") if getattr(main, key) is not None]
    if not stated:
        yield Finding(
            ("main",),
            "neither 'hazen_williams_c' nor 'roughness_mm'",
            "one of them, to know the friction",
            at_key=True,
        )
    elif len(stated) == 2:
        yield Finding(
            ("main", "roughness_mm"),
            "'roughness_mm' beside 'hazen_williams_c'",
            "one of the two",
            at_key=True,
        )
    elif main.roughness_mm is not None and main.roughness_mm > ROUGHEST * main.inner_diameter_mm:
        yield Finding(
            ("main", "roughness_mm"),
            f"{main.roughness_mm:g} mm",
            f"at most {ROUGHEST * main.inner_diameter_mm:g} mm, a twentieth of the diameter",
        )
    pumps = [part for part in survey.equipment.values() if part is None or isinstance(part, Pump)]
    if all(pump is not None for pump in pumps) and not any(
        pump is not None and pump.well == name and pump.curve is not None for pump in pumps
    ):
        yield Finding(
            ("main",),
            "'main' of a well none of whose pumps has a 'curve'",
            "a curve too, since flows follow from both",
            at_key=True,
        )


def pump_findings(pump: Pump, survey: Survey) -> Iterator[Finding]:
    """Everything wrong with a pump's curve and speed.

    Args:
        pump: the pump.
        survey: the parts of the plant file, as far as they are right.
    """
    yield from _speed(pump, survey)
    if pump.curve is None:
        for key, unset in (("acceptance_grade", None), ("curve_form", "standard")):
            if getattr(pump, key) != unset:
                yield Finding((key,), f"'{key}' without 'curve'", "it only with one", at_key=True)
        return
    wrong = list(_points(pump.curve))
    yield from wrong
    if wrong:
        return
    if pump.curve_form == "smooth" and len(pump.curve) < 3:
        yield Finding(
            ("curve_form",), f"'smooth' with {len(pump.curve)} points", "it with three or more"
        )
    well = survey.equipment.get(pump.well)
    if not isinstance(well, Well):
        return
    if well.main is None:
        yield Finding(
            ("curve",),
            f"'curve' of a pump whose well '{pump.well}' has no 'main'",
            "a main too, since flows follow from both",
            at_key=True,
        )
    else:
        yield from _lift(pump.curve, well, well.main.discharge_height_m)


def _points(curve: Sequence[CurvePoint]) -> Iterator[Finding]:
    if len(curve) == 1:
        for key in ("flow_l_per_s", "head_m"):
            if getattr(curve[0], key) == 0:
                yield Finding(("curve", 0, key), "0", "more than 0 at the design point")
        return
    if curve[0].head_m == 0:
        yield Finding(("curve", 0, "head_m"), "0", "more than 0 at the first point")
    for position, (before, point) in enumerate(pairwise(curve), start=1):
        if point.flow_l_per_s <= before.flow_l_per_s:
            yield Finding(
                ("curve", position, "flow_l_per_s"),
                f"{point.flow_l_per_s:g} L/s",
                f"more than {before.flow_l_per_s:g} L/s, as at the point before",
            )
        if point.head_m >= before.head_m:
            yield Finding(
                ("curve", position, "head_m"),
                f"{point.head_m:g} m",
                f"less than {before.head_m:g} m, as at the point before",
            )


def _lift(curve: Sequence[CurvePoint], well: Well, discharge_m: float) -> Iterator[Finding]:
    """The pump must lift water out of the well at least when it is full."""
    heights = [switch.makes_at_m for _, switch in well.floats.by_role()]
    heights += [well.overflow_m] if well.overflow_m is not None else []
    full_m = max(heights, default=0.0)
    most_m = curve[0].head_m * (4.0 / 3.0 if len(curve) == 1 else 1.0)
    least_m = discharge_m - full_m
    if most_m <= least_m:
        yield Finding(
            ("curve", 0, "head_m"),
            f"a head of at most {most_m:.4g} m",
            f"more than {least_m:.4g} m, the lift out of the full well",
        )


def _speed(pump: Pump, survey: Survey) -> Iterator[Finding]:
    if pump.speed is None:
        if pump.full_speed is not None:
            yield Finding(
                ("full_speed",), "'full_speed' without 'speed'", "it only with one", at_key=True
            )
        return
    panel, _, name = pump.speed.partition(".")
    point = survey.points.get((panel, name))
    if point is None or (point.unit is not None and point.unit not in UNITS):
        return
    kind = "number" if point.unit is None else UNITS[point.unit].kind
    if kind not in SPEED_KINDS:
        fitting = ", ".join(unit.code for unit in UNITS.values() if unit.kind in SPEED_KINDS)
        yield Finding(
            ("speed",),
            f"'{pump.speed}', which is in '{point.unit}'",
            f"a point in one of the units of speed: {fitting}",
        )
    elif kind == "frequency" and pump.full_speed is None:
        yield Finding(
            ("speed",),
            f"'speed' in {point.unit} without 'full_speed'",
            f"full_speed too, in {point.unit}",
            at_key=True,
        )
