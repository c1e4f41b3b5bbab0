"""``weirkeeper curve``: pump curves, system curve and operating points of a well."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.cli.command import Answer, Command
from collector.cli.options import add_plant
from collector.cli.tables import table
from collector.core.hydraulics.acceptance import flow_uncertainty
from collector.core.hydraulics.operating import OperatingPoint
from collector.core.hydraulics.stations import L_PER_S, Station, stations_of
from collector.errors import ConfigurationError, ExitCode, Problem
from collector.plant.equipment import RisingMain, Well
from collector.plant.findings import nearest_name
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from collector.reports.curve_picture import CurvePicture, Line, svg_picture, text_picture

CAUTION = (
    "Estimates for new pumps from the plant file, no measurement. Isolate and\n"
    "lock out before any pump test or work on a pump; a well is a confined space."
)
SAMPLES = 400


@dataclass(frozen=True, slots=True)
class Row:
    """What a set of pumps gives.

    Args:
        label: of the set.
        names: the pumps that run.
        point: at the level asked for.
        uncertainty_m3_s: standard uncertainty of its flow, by the curves' tolerances.
        low_m3_s, high_m3_s: flow at the stop and at the start level.
    """

    label: str
    names: tuple[str, ...]
    point: OperatingPoint
    uncertainty_m3_s: float
    low_m3_s: float
    high_m3_s: float


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("well", metavar="WELL", help="name of a well in the plant file")
    add_plant(parser)
    parser.add_argument(
        "--level",
        type=_level,
        metavar="M",
        help="water above the floor; without it, midway between stop and start",
    )
    parser.add_argument("--svg", type=Path, metavar="FILE", help="write the picture there too")


def _level(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 50.0:
        raise argparse.ArgumentTypeError(f"found '{text}', expected metres from 0 to 50")
    return value


def execute(options: argparse.Namespace) -> Answer:
    """Solve the well's station and show it."""
    plant = read_plant_file(Path(options.plant)).plant
    station = stations_of(plant).get(options.well)
    if station is None:
        return Answer(_no_station(plant, options.well), None, ExitCode.USAGE)
    well = plant.equipment[options.well]
    assert isinstance(well, Well)
    low_m, high_m = working_levels(well)
    level_m = 0.5 * (low_m + high_m) if options.level is None else options.level
    rows = _rows(station, level_m, low_m, high_m)
    picture = _picture(station, well.title, level_m, rows)
    lines = _lines(station, well, level_m, (low_m, high_m), rows)
    if options.svg is not None:
        _write(options.svg, svg_picture(picture))
        lines.append(f"picture written to {options.svg}")
    text = [*lines, "", *text_picture(picture), "", CAUTION]
    return Answer("\n".join(text), _data(station, well, level_m, (low_m, high_m), rows))


def _no_station(plant: Plant, name: str) -> str:
    """Why nothing can be shown of a well of that name."""
    part = plant.equipment.get(name)
    known = list(stations_of(plant))
    if not isinstance(part, Well):
        wells = [other for other, each in plant.equipment.items() if isinstance(each, Well)]
        near = nearest_name(name, wells)
        hint = f"did you mean '{near}'?" if near else f"there are {', '.join(wells) or 'none'}"
        return f"there is no well '{name}', {hint}"
    others = f"; known for {', '.join(known)}" if known else ""
    return f"the plant file states no main and pump curves of well '{name}'{others}"


def working_levels(well: Well) -> tuple[float, float]:
    """Levels at which the pumps stop and the lead pump starts, as far as the floats tell."""
    floats = well.floats
    start, stop = floats.start_1, floats.low or floats.start_1
    if start is None or stop is None:
        return 0.0, well.overflow_m or 0.0
    return stop.breaks_m, start.makes_at_m


def _rows(station: Station, level_m: float, low_m: float, high_m: float) -> list[Row]:
    names = tuple(station.pumps)
    sets: list[tuple[tuple[str, ...], str]] = [((name,), name) for name in names]
    if len(names) > 1:
        label = "both together" if len(names) == 2 else f"all {len(names)} together"
        sets.append((names, label))
    rows = []
    for running, label in sets:
        point = station.operating_point(running, level_m)
        unsure = flow_uncertainty(
            station.running(running), point, [station.pumps[name].tolerance for name in running]
        )
        low, high = (station.operating_point(running, at_m).flow_m3_s for at_m in (low_m, high_m))
        rows.append(Row(label, running, point, unsure, low, high))
    return rows


def _lines(
    station: Station,
    well: Well,
    level_m: float,
    working: tuple[float, float],
    rows: Sequence[Row],
) -> list[str]:
    main = station.main
    assert well.main is not None
    headings = ("running", "flow L/s", "+-", "head m", "m/s", f"at {working[0]:.2f} m",
                f"at {working[1]:.2f} m")  # fmt: skip
    cells = [
        [
            row.label,
            f"{row.point.flow_m3_s / L_PER_S:.3f}",
            f"{row.uncertainty_m3_s / L_PER_S:.3f}" if row.point.flow_m3_s else "-",
            f"{row.point.head_m:.3f}" if row.point.flow_m3_s else "-",
            f"{main.velocity_m_s(row.point.flow_m3_s):.2f}",
            f"{row.low_m3_s / L_PER_S:.3f}",
            f"{row.high_m3_s / L_PER_S:.3f}",
        ]
        for row in rows
    ]
    lines = [
        f"{well.title}: level {level_m:.2f} m, lift {main.lift_m(level_m):.2f} m"[:80],
        _main_line(well.main),
        *table(headings, cells, frozenset(range(1, 7))),
        "+- is one standard uncertainty, by the acceptance tolerance of the curves.",
    ]
    lines += [
        f"{row.label} cannot lift so high: shut-off head {row.point.head_m:.2f} m"[:80]
        for row in rows
        if not row.point.flow_m3_s
    ]
    if station.without_curve:
        lines.append(f"without a curve: {', '.join(station.without_curve)}"[:80])
    return lines


def _main_line(main: RisingMain) -> str:
    friction = f"roughness {main.roughness_mm or 0:g} mm"
    if main.hazen_williams_c is not None:
        friction = f"Hazen-Williams C {main.hazen_williams_c:g}"
    return (
        f"main: {main.length_m:g} m of {main.inner_diameter_mm:g} mm, {friction}, "
        f"K {main.minor_loss_k:g}"
    )


def _picture(station: Station, title: str, level_m: float, rows: Sequence[Row]) -> CurvePicture:
    main = station.main
    lift_m = main.lift_m(level_m)
    top_m = max(pump.curve.shut_off_m for pump in station.pumps.values())
    largest = max(row.point.flow_m3_s for row in rows)
    if not largest:
        largest = max(pump.curve.run_out_m3_s for pump in station.pumps.values())
    most = 1.25 * largest
    least_m = min(0.0, lift_m)
    steps = [most * k / SAMPLES for k in range(SAMPLES + 1)]
    system = tuple((q / L_PER_S, lift_m + main.loss_m(q)) for q in steps)
    lines = [Line("system", ".", system)]
    lines += _pump_lines(station, steps)
    if len(station.pumps) > 1:
        heads = [top_m - (top_m - least_m) * k / SAMPLES for k in range(SAMPLES + 1)]
        together = tuple(
            (
                sum(p.curve.flow_at_drop(p.curve.shut_off_m - h)[0] for p in station.pumps.values())
                / L_PER_S,
                h,
            )
            for h in heads
        )
        lines.append(Line(rows[-1].label, "+", together))
    meetings: dict[tuple[float, float], list[str]] = {}
    for row in rows:
        if row.point.flow_m3_s:
            at = (row.point.flow_m3_s / L_PER_S, row.point.head_m)
            meetings.setdefault(at, []).append(row.label)
    high_m = 1.05 * max(top_m, lift_m)
    return CurvePicture(
        f"{title}, level {level_m:.2f} m",
        tuple(lines),
        tuple((" or ".join(labels), *at) for at, labels in meetings.items()),
        most / L_PER_S,
        high_m,
        least_m,
    )


def _pump_lines(station: Station, steps: Sequence[float]) -> list[Line]:
    """A line for each curve; pumps of the same curve share it."""
    drawn: dict[tuple[tuple[float, float], ...], list[str]] = {}
    for name, pump in station.pumps.items():
        points = tuple((q / L_PER_S, pump.curve.head_m(q)) for q in steps)
        drawn.setdefault(points, []).append(name)
    return [
        Line(", ".join(names), str(number % 10), points)
        for number, (points, names) in enumerate(drawn.items(), start=1)
    ]


def _data(
    station: Station,
    well: Well,
    level_m: float,
    working: tuple[float, float],
    rows: Sequence[Row],
) -> dict[str, Any]:
    assert well.main is not None
    return {
        "well": station.well,
        "level_m": level_m,
        "lift_m": station.main.lift_m(level_m),
        "main": well.main.model_dump(),
        "without_curve": list(station.without_curve),
        "operating_points": [
            {
                "running": list(row.names),
                "flow_l_per_s": row.point.flow_m3_s / L_PER_S,
                "standard_uncertainty_l_per_s": row.uncertainty_m3_s / L_PER_S,
                "head_m": row.point.head_m if row.point.flow_m3_s else None,
                "velocity_m_per_s": station.main.velocity_m_s(row.point.flow_m3_s),
                "flows_l_per_s": {
                    name: flow / L_PER_S
                    for name, flow in zip(row.names, row.point.flows_m3_s, strict=True)
                },
                "flow_at_levels_l_per_s": [
                    {"level_m": at_m, "flow_l_per_s": flow / L_PER_S}
                    for at_m, flow in zip(working, (row.low_m3_s, row.high_m3_s), strict=True)
                ],
            }
            for row in rows
        ],
        "caution": CAUTION.replace("\n", " "),
    }


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        found = f"a file that cannot be written ({error.strerror})"
        raise ConfigurationError(
            [Problem(str(path), None, None, "", found, "a path that can be written")]
        ) from error


COMMAND = Command(
    name="curve",
    summary="pump curves, system curve and operating points of a well",
    example="weirkeeper curve --plant config/osier-bend/plant.yaml collection",
    add_options=add_options,
    execute=execute,
    about=CAUTION,
)
