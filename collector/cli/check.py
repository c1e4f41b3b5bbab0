"""``weirkeeper check``: whether a plant file is right, and how its panels would be read."""

from __future__ import annotations

import argparse
import itertools
import json
import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import Any

from collector.cli.command import Answer, Command
from collector.cli.tables import WIDTH, table
from collector.core.scans import Read
from collector.errors import ConfigurationError, ExitCode
from collector.links.planning import plan_panel
from collector.plant.model import Plant
from collector.plant.registers import point_kind
from collector.plant.schema import plant_schema
from collector.plant_file import read_plant_file

TABLE_OF_FUNCTION = {
    1: "coils",
    2: "discrete inputs",
    3: "holding registers",
    4: "input registers",
}


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("files", type=Path, nargs="*", metavar="FILE", help="plant files")
    parser.add_argument(
        "--schema", action="store_true", help="print the JSON Schema of plant files for an editor"
    )


def execute(options: argparse.Namespace) -> Answer:
    """Check files without touching a panel."""
    if options.schema:
        schema = plant_schema()
        return Answer(json.dumps(schema, indent=2, ensure_ascii=False), schema)
    if not options.files:
        return Answer("it needs a FILE, or --schema", None, ExitCode.USAGE)
    lines: list[str] = []
    data: list[dict[str, Any]] = []
    bad = False
    for path in options.files:
        try:
            plant_file = read_plant_file(path)
        except ConfigurationError as error:
            bad = True
            count = len(error.problems)
            lines += [*map(str, error.problems), f"{path}: {count} problem{'s' * (count > 1)}"]
            data.append({"file": str(path), "problems": [asdict(p) for p in error.problems]})
            continue
        plant = plant_file.plant
        lines += [f"{path}: right", *_explained(plant)]
        data.append({"file": str(path), "problems": [], "hash": plant_file.hash,
                     "panels": {name: _plan(plant, name) for name in plant.panels}})  # fmt: skip
    code = ExitCode.CONFIGURATION if bad else ExitCode.DONE
    return Answer("\n".join(lines), data, code)


def _plan(plant: Plant, panel: str) -> list[dict[str, int]]:
    return [
        {"function": read.function, "start": read.start, "count": read.count}
        for read in plan_panel(plant.panels[panel])
    ]


def _explained(plant: Plant) -> list[str]:
    """How the panels would be read: what a person wants to see before going to site."""
    kinds: dict[str, int] = {}
    for part in plant.equipment.values():
        kinds[part.kind] = kinds.get(part.kind, 0) + 1
    equipment = ", ".join(_counted(count, kind.replace("_", " ")) for kind, count in kinds.items())
    summary = f"{plant.plant.title}, {plant.plant.time_zone}: {equipment or 'no equipment'}"
    rows = []
    for name, panel in plant.panels.items():
        points: dict[str, int] = {}
        for point in panel.points.values():
            points[point_kind(point)] = points.get(point_kind(point), 0) + 1
        told = [_counted(count, kind) for kind, count in points.items()]
        blocks = [_block(read) for read in plan_panel(panel)]
        name_and_pace = (name, f"{panel.scan_period_s:g} s")
        for block, count in itertools.zip_longest(blocks, told, fillvalue=""):
            rows.append([*name_and_pace, block, count])
            name_and_pace = ("", "")
    return [
        *textwrap.wrap(summary, WIDTH, initial_indent="  ", subsequent_indent="    "),
        *(
            f"  {line}"
            for line in table(
                ("panel", "every", "reads (addresses)", "points"), rows, width=WIDTH - 2
            )
        ),
    ]


def _block(read: Read) -> str:
    return f"{TABLE_OF_FUNCTION[read.function]} {read.start} to {read.start + read.count - 1}"


def _counted(count: int, noun: str) -> str:
    """``1 mixer``, ``2 pumps``; nouns that are the same in number stay (``mains``)."""
    return f"{count} {noun}{'' if count == 1 or noun.endswith('s') else 's'}"


COMMAND = Command(
    name="check",
    summary="check plant files without touching a panel",
    example="weirkeeper check config/osier-bend/plant.yaml",
    add_options=add_options,
    execute=execute,
)
