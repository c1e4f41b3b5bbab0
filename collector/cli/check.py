"""``weirkeeper check``: whether plant and rule files are right, and what they would do."""

from __future__ import annotations

import argparse
import itertools
import json
import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import Any

from collector.cli.check_rules import check_rules, check_service, sort_out
from collector.cli.command import Answer, Command
from collector.cli.tables import WIDTH, table
from collector.core.scans import Read
from collector.errors import ConfigurationError, ExitCode
from collector.links.planning import plan_panel
from collector.plant.model import Panel, Plant
from collector.plant.registers import point_kind
from collector.plant.schema import plant_schema
from collector.plant_file import read_plant_file
from collector.rulebook.model import rules_schema
from collector.rulebook.service_model import service_schema

SCHEMAS = {"plant": plant_schema, "rules": rules_schema, "service": service_schema}

TABLE_OF_FUNCTION = {
    1: "coils",
    2: "discrete inputs",
    3: "holding registers",
    4: "input registers",
}


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "files", type=Path, nargs="*", metavar="FILE",
        help="plant files, and rule files or directories of them",
    )  # fmt: skip
    parser.add_argument(
        "--plant", type=Path, metavar="PLANT",
        help="the plant that rule files are for; the one plant file among FILE where left out",
    )  # fmt: skip
    parser.add_argument(
        "--schema", choices=list(SCHEMAS), nargs="?", const="plant",
        help="print the JSON Schema of plant, rule or service files for an editor",
    )  # fmt: skip


def execute(options: argparse.Namespace) -> Answer:
    """Check files without touching a panel."""
    if options.schema:
        schema = SCHEMAS[options.schema]()
        return Answer(json.dumps(schema, indent=2, ensure_ascii=False), schema)
    if not options.files:
        return Answer("it needs a FILE, or --schema", None, ExitCode.USAGE)
    files = sort_out(options.files)
    lines = [str(problem) for problem in files.problems]
    data: list[dict[str, Any]] = []
    if files.problems:
        data.append({"problems": [asdict(problem) for problem in files.problems]})
    right: list[Plant] = []
    for path in files.plants:
        try:
            plant_file = read_plant_file(path)
        except ConfigurationError as error:
            lines += _refused(path, error, data)
            continue
        right.append(plant_file.plant)
        lines += [f"{path}: right", *_explained(plant_file.plant)]
        data.append({"file": str(path), "problems": [], "hash": plant_file.hash,
                     "panels": {name: _plan(plant_file.plant, name)
                                for name in plant_file.plant.panels}})  # fmt: skip
    bad = len(right) < len(files.plants) or bool(files.problems)
    plant = right[0] if len(right) == 1 else None
    if options.plant is not None:
        try:
            plant = read_plant_file(options.plant).plant
        except ConfigurationError as error:
            lines += _refused(options.plant, error, data)
            plant, bad = None, True
    for paths, check in ((files.rules, check_rules), (files.service, check_service)):
        if paths:
            checked = check(paths, plant)
            lines += checked.lines
            data += checked.data
            bad = bad or checked.bad
    return Answer("\n".join(lines), data, ExitCode.CONFIGURATION if bad else ExitCode.DONE)


def _refused(path: Path, error: ConfigurationError, data: list[dict[str, Any]]) -> list[str]:
    count = len(error.problems)
    data.append({"file": str(path), "problems": [asdict(each) for each in error.problems]})
    return [*map(str, error.problems), f"{path}: {count} problem{'s' * (count > 1)}"]


def _reads(plant: Plant, panel: Panel) -> tuple[Read, ...]:
    return plan_panel(panel, plant.links[panel.link])


def _plan(plant: Plant, panel: str) -> list[dict[str, int]]:
    return [
        {"function": read.function, "start": read.start, "count": read.count}
        for read in _reads(plant, plant.panels[panel])
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
        blocks = [_block(read) for read in _reads(plant, panel)]
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
    summary="check plant and rule files without touching a panel",
    example="weirkeeper check config/osier-bend/plant.yaml rules",
    add_options=add_options,
    execute=execute,
)
