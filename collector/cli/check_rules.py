"""The part of ``weirkeeper check`` that looks at rule files."""

from __future__ import annotations

import textwrap
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from collector.cli.tables import WIDTH
from collector.core.service.rule import ServiceRule
from collector.errors import ConfigurationError, Problem
from collector.plant.model import Plant
from collector.plant.yaml_source import read_yaml
from collector.rulebook.binding import Binding
from collector.rulebook.explaining import explained, explained_without_plant
from collector.rulebook.load import Book, bindings_of, files_of, read_book
from collector.rulebook.model import AlarmEntry
from collector.rulebook.service_load import read_service_rules
from collector.rulebook.unbound import conditions_without_plant

PLANT_KEYS = ("plant", "links", "panels", "equipment")


@dataclass(slots=True)
class Checked:
    """What was found in rule files.

    Args:
        lines: for people.
        data: for programs, one item for each file.
        bad: whether anything is wrong.
    """

    lines: list[str] = field(default_factory=list)
    data: list[dict[str, Any]] = field(default_factory=list)
    bad: bool = False


@dataclass(slots=True)
class Sorted:
    """Files by what they are meant as.

    Args:
        plants, rules, service: of plants, of alarm rules, of tasks of service.
        problems: directories with nothing in them.
    """

    plants: list[Path] = field(default_factory=list)
    rules: list[Path] = field(default_factory=list)
    service: list[Path] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def sort_out(paths: list[Path]) -> Sorted:
    """Tell files apart by their top keys; a directory stands for its ``*.yaml``."""
    found = Sorted()
    for path in paths:
        try:
            for file in files_of([path]):
                key = _rule_key(file)
                kinds = {"alarms": found.rules, "service": found.service}
                kinds.get(key, found.plants).append(file)
        except ConfigurationError as error:
            found.problems += error.problems
    return found


def _rule_key(path: Path) -> str:
    """The top key that makes a file one of rules; nothing for any other file."""
    try:
        data = read_yaml(path, str(path), []).data
    except ConfigurationError:
        return ""
    if not isinstance(data, dict) or any(key in data for key in PLANT_KEYS):
        return ""
    return next((key for key in ("alarms", "service") if key in data), "")


def check_service(paths: list[Path], plant: Plant | None) -> Checked:
    """Check files of service as one set, in the order given; they need a plant."""
    found = Checked()
    if plant is None:
        found.lines = [f"{path}: can only be checked with a plant file (--plant)" for path in paths]
        found.data = [{"file": str(path), "problems": []} for path in paths]
        return found
    problems: tuple[Problem, ...] = ()
    tasks: tuple[ServiceRule, ...] = ()
    try:
        tasks = read_service_rules(paths, plant).rules
    except ConfigurationError as error:
        problems, found.bad = error.problems, True
    for path in map(str, paths):
        wrong = [problem for problem in problems if problem.file == path]
        found.lines += [*map(str, wrong), _verdict(path, len(wrong))]
        found.data.append({"file": path, "problems": [asdict(each) for each in wrong]})
    if not found.bad:
        found.lines.append(f"{len(tasks)} tasks of service in this plant")
    return found


def _verdict(file: str, problems: int) -> str:
    return f"{file}: {problems} problem{'s' * (problems > 1)}" if problems else f"{file}: right"


def check_rules(paths: list[Path], plant: Plant | None) -> Checked:
    """Check rule files as one set, in the order given.

    Args:
        paths: of the files.
        plant: to bind them to; without one they are checked as far as that goes.
    """
    found, book = Checked(), read_book(paths)
    told = _without_plant(book) if plant is None else _with_plant(book, plant)
    _tell(found, book, told)
    if plant is not None and not book.problems:
        found.lines.append(_summary(told))
    return found


@dataclass(frozen=True, slots=True)
class _Told:
    """One rule: where it stands, the sentences about it, and what it is bound to."""

    file: str
    name: str
    sentences: list[str]
    rule: AlarmEntry
    binding: Binding | None = None


def _with_plant(book: Book, plant: Plant) -> list[_Told]:
    found = []
    for binding in bindings_of(book, plant):
        entry = binding.entry
        rule = book.entries[entry.name][1]
        sentences = [] if binding.problems else explained(binding, rule)
        found.append(_Told(entry.tree.file, entry.name, sentences, rule, binding))
    return found


def _without_plant(book: Book) -> list[_Told]:
    found = []
    for entry, rule in book.entries.values():
        conditions, problems = conditions_without_plant(entry, rule)
        book.found += problems
        sentences = [] if problems else explained_without_plant(entry, rule, conditions)
        found.append(_Told(entry.tree.file, entry.name, sentences, rule))
    return found


def _tell(found: Checked, book: Book, told: list[_Told]) -> None:
    """Each file with its problems or its rules."""
    problems = book.problems
    files = [tree.file for tree in book.trees]
    files += [problem.file for problem in problems if problem.file not in files]
    for file in dict.fromkeys(files):
        wrong = [problem for problem in problems if problem.file == file]
        rules = [each for each in told if each.file == file]
        found.data.append(
            {
                "file": file,
                "problems": [asdict(problem) for problem in wrong],
                "rules": {each.name: _data(each) for each in rules},
            }
        )
        if wrong:
            found.bad = True
            found.lines += [*map(str, wrong), _verdict(file, len(wrong))]
            continue
        found.lines.append(_verdict(file, 0))
        found.lines += [line for each in rules if each.binding for line in each.binding.questions]
        for each in rules:
            for position, sentence in enumerate(each.sentences):
                indent = "  " if position == 0 else "    "
                found.lines += textwrap.wrap(
                    sentence, WIDTH, initial_indent=indent, subsequent_indent="    ",
                    break_on_hyphens=False,
                )  # fmt: skip


def _data(told: _Told) -> dict[str, Any]:
    found: dict[str, Any] = {"priority": told.rule.priority, "explained": told.sentences}
    if told.binding is not None:
        found["alarms"] = [alarm.subject for alarm in told.binding.alarms]
        found["questions"] = told.binding.questions
        found["left_out"] = {each.owner: list(each.missing) for each in told.binding.left_out}
    return found


def _summary(told: list[_Told]) -> str:
    alarms = [alarm for each in told if each.binding for alarm in each.binding.alarms]
    counts = dict.fromkeys(("low", "medium", "high"), 0)
    for alarm in alarms:
        counts[alarm.priority.word] += 1
    shares = ", ".join(f"{count} {word}" for word, count in counts.items())
    rules, raised = len(told), len(alarms)
    return (
        f"{rules} rule{'s' * (rules != 1)}, {raised} alarm{'s' * (raised != 1)} in this plant: "
        f"{shares}"
    )
