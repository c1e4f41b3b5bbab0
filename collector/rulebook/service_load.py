"""Reads service files and binds their tasks to a plant.

The same ways as alarm rules: files in the order given, a later one may take the place of a task
(``replaces: true``), all problems at once. A task for each of a kind is bound to every piece of it
for which at least one of its intervals can be counted; an interval that cannot, because the plant
file gives the machine no such contact or curve, is left out for it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from collector.core.diagnosis.wording import CAUTIONS
from collector.core.service.rule import (
    ServiceRule,
)
from collector.errors import ConfigurationError, Problem
from collector.plant.findings import Finding, nearest_name
from collector.plant.model import Plant
from collector.plant.names import NAME_PATTERN
from collector.plant.validation import in_file_order, validation_problems
from collector.plant.yaml_source import SourceTree, read_yaml
from collector.rulebook.amounts import Figure, figure_of
from collector.rulebook.load import files_of
from collector.rulebook.plant_names import PlantNames
from collector.rulebook.service_binding import Task, bound
from collector.rulebook.service_model import ServiceEntry, ServiceFile

SHIPPED_SERVICE = Path(__file__).parents[2] / "rules" / "service"
"""The tasks that come with the program."""

SHORT_CAUTION = 40


@dataclass(frozen=True, slots=True)
class ServiceSet:
    """Tasks of one or more files, bound to a plant.

    Args:
        files: path as given and text of each file.
        rules: the tasks.
    """

    files: tuple[tuple[str, str], ...]
    rules: tuple[ServiceRule, ...]

    @property
    def hash(self) -> str:
        """SHA-256 of the files' names, without their directories, and texts, in hexadecimal."""
        named = [[Path(path).name, text] for path, text in self.files]
        return hashlib.sha256(json.dumps(named).encode()).hexdigest()

    @property
    def text(self) -> str:
        """All files as JSON: a list of name and text of each."""
        return json.dumps(self.files, ensure_ascii=False, indent=1)


@dataclass(slots=True)
class _Reading:
    """What was read so far."""

    trees: list[SourceTree] = field(default_factory=list)
    tasks: dict[str, Task] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def is_service(text: str) -> bool:
    """Whether a rule file is one of service, by its top key."""
    return re.search(r"^[\"']?service[\"']?\s*:", text, re.MULTILINE) is not None


def read_service_rules(paths: Sequence[Path], plant: Plant) -> ServiceSet:
    """Read service files and bind them.

    Args:
        paths: files, or directories whose ``*.yaml`` are read.
        plant: a checked plant file.

    Raises:
        ConfigurationError: everything that is wrong with them.
    """
    return parse_service_rules([(path, str(path)) for path in files_of(paths)], plant)


def parse_service_rules(sources: Sequence[tuple[Path | str, str]], plant: Plant) -> ServiceSet:
    """Bind service files.

    Args:
        sources: path or text of each, and its name in problems.
        plant: a checked plant file.

    Raises:
        ConfigurationError: everything that is wrong with them.
    """
    reading = _Reading()
    for source, name in sources:
        _read(reading, source, name)
    known = PlantNames(plant)
    rules = [
        rule
        for task in reading.tasks.values()
        for rule in bound(task, plant, known, reading.problems)
    ]
    if reading.problems:
        order = list(dict.fromkeys(problem.file for problem in reading.problems))
        raise ConfigurationError(
            [
                problem
                for file in order
                for problem in in_file_order([p for p in reading.problems if p.file == file])
            ]
        )
    return ServiceSet(tuple((tree.file, tree.text) for tree in reading.trees), tuple(rules))


def _read(reading: _Reading, source: Path | str, name: str) -> None:
    noted: list[Problem] = []
    try:
        tree = read_yaml(source, name, noted)
    except ConfigurationError as error:
        reading.problems += error.problems
        return
    reading.trees.append(tree)
    reading.problems += noted
    try:
        ServiceFile.model_validate(tree.data)
    except ValidationError as error:
        reading.problems += validation_problems(error, tree, ServiceFile)
    section = tree.data.get("service") if isinstance(tree.data, dict) else None
    for task, body in section.items() if isinstance(section, dict) else ():
        if not isinstance(task, str) or not re.fullmatch(NAME_PATTERN, task):
            continue
        try:
            entry = ServiceEntry.model_validate(body)
        except ValidationError:
            continue  # told already
        _take(reading, Task(task, tree, entry))


def _take(reading: _Reading, task: Task) -> None:
    before = reading.tasks.get(task.name)
    found = list(_checked(task.entry))
    if task.entry.replaces and (before is None or before.tree is task.tree):
        expected = "the name of a task in a file before this one"
        nearest = nearest_name(task.name, reading.tasks)
        found.append(Finding(("replaces",), f"'{task.name}'", expected, nearest, at_key=True))
    elif before is not None and not task.entry.replaces:
        found.append(
            Finding((), f"the task '{task.name}' again, which is in {before.source}",
                    "another name, or 'replaces: true' to take its place", at_key=True)
        )  # fmt: skip
    reading.problems += [task.problem(each) for each in found]
    if not found:
        reading.tasks[task.name] = task


def _checked(entry: ServiceEntry) -> Iterator[Finding]:
    whom = entry.bound_to
    if (whom.each is None) is (whom.one is None):
        found = "neither 'each' nor 'one'" if whom.each is None else "both 'each' and 'one'"
        yield Finding(("for",), found, "'each' with a kind, or 'one' with a name", at_key=True)
    if not entry.every.model_dump(exclude_none=True):
        ways = "run_hours, starts, cycles, volume, calendar or when"
        yield Finding(("every",), "no interval", f"at least one of {ways}", at_key=True)
    if entry.limits and entry.every.when is None:
        yield Finding(
            ("limits",), "limits without a condition", "'when' under 'every'", at_key=True
        )
    for name, limit in entry.limits.items():
        written = limit if isinstance(limit, str | float) else limit.value
        if not isinstance(figure_of(written), Figure):
            yield Finding(("limits", name), f"'{written}'", "a figure with its unit")
    for position, text in enumerate(entry.caution):
        nearest = nearest_name(text, CAUTIONS)
        if text not in CAUTIONS and len(text) <= SHORT_CAUTION and nearest is not None:
            expected = "the name of a caution, or a sentence"
            yield Finding(("caution", position), f"'{text}'", expected, nearest)
