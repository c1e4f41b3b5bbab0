"""The part of ``weirkeeper check`` that looks at rule files."""

from __future__ import annotations

import textwrap
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from collector.cli.tables import WIDTH
from collector.errors import ConfigurationError
from collector.plant.model import Plant
from collector.plant.yaml_source import read_yaml
from collector.rulebook.binding import Binding
from collector.rulebook.explaining import explained, explained_without_plant
from collector.rulebook.load import Book, bindings_of, files_of, read_book
from collector.rulebook.model import AlarmEntry
from collector.rulebook.unbound import conditions_without_plant

RULE_KEYS = ("alarms",)
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


def is_of_rules(path: Path) -> bool:
    """Whether a file is meant as rules, by its top keys; a directory is."""
    if path.is_dir():
        return True
    try:
        data = read_yaml(path, str(path), []).data
    except ConfigurationError:
        return False
    if not isinstance(data, dict) or any(key in data for key in PLANT_KEYS):
        return False
    return any(key in data for key in RULE_KEYS)


def check_rules(paths: list[Path], plant: Plant | None) -> Checked:
    """Check rule files as one set, in the order given.

    Args:
        paths: files and directories.
        plant: to bind them to; without one they are checked as far as that goes.
    """
    found = Checked()
    try:
        book = read_book(files_of(paths))
    except ConfigurationError as error:
        found.bad = True
        found.lines = [str(problem) for problem in error.problems]
        found.data = [{"problems": [asdict(problem) for problem in error.problems]}]
        return found
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
            count = len(wrong)
            found.lines += [*map(str, wrong), f"{file}: {count} problem{'s' * (count > 1)}"]
            continue
        found.lines.append(f"{file}: right")
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
