"""Reads one rule file into entries: the models, and what must hold within one rule.

As much as possible is told at once: a rule that is right is looked at further even where another
rule of the file is wrong.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from collector.core.diagnosis.wording import CAUTIONS
from collector.errors import Problem
from collector.plant.findings import Finding, Path, nearest_name
from collector.plant.names import NAME_PATTERN
from collector.plant.validation import validation_problems
from collector.plant.yaml_source import SourceTree
from collector.rulebook.amounts import Figure, NoFigure, duration_us, figure_of
from collector.rulebook.model import (
    AlarmEntry,
    LimitBlock,
    RuleFile,
    SwitchedOff,
    SwitchOffs,
)

NO_LIMIT_NAMES = ("this", "in", "true", "false", "null")
SHORT_CAUTION = 40
"""Characters up to which a caution may be a misspelt name of one."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One rule of a file.

    Args:
        name: of the rule.
        tree: the file.
        rule: what it says.
    """

    name: str
    tree: SourceTree
    rule: AlarmEntry | SwitchedOff

    @property
    def path(self) -> Path:
        """Where it stands in the file."""
        return ("alarms", self.name)

    @property
    def source(self) -> str:
        """File and line, for people."""
        place = self.tree.marks[self.path]
        return f"{self.tree.file}:{(place.key or place.value).line}"


def entries_of(tree: SourceTree) -> tuple[list[Entry], list[Problem]]:
    """The rules of a file that was read, those that are right, and all that is wrong.

    Args:
        tree: the file.
    """
    rules, offs = _parted(tree.data)
    problems: list[Problem] = []
    if rules or not offs:
        data = {**tree.data, "alarms": rules} if rules else tree.data
        try:
            RuleFile.model_validate(data)
        except ValidationError as error:
            problems += validation_problems(error, tree, RuleFile)
    if offs:
        data = {"alarms": offs} if rules else {**tree.data, "alarms": offs}
        try:
            SwitchOffs.model_validate(data)
        except ValidationError as error:
            problems += validation_problems(error, tree, SwitchOffs)
    entries = [*_salvaged(tree, rules, AlarmEntry), *_salvaged(tree, offs, SwitchedOff)]
    sound: list[Entry] = []
    for entry in entries:
        found = [tree.problem(each.below(*entry.path)) for each in _checked(entry)]
        problems += found
        if not found:
            sound.append(entry)
    return sound, problems


def _parted(data: Any) -> tuple[dict[Any, Any], dict[Any, Any]]:
    """The entries that are rules, and those that switch one off."""
    alarms = data.get("alarms") if isinstance(data, dict) else None
    if not isinstance(alarms, dict):
        return {}, {}
    offs = {
        name: entry
        for name, entry in alarms.items()
        if isinstance(entry, dict) and "switched_off" in entry
    }
    return {name: entry for name, entry in alarms.items() if name not in offs}, offs


def _salvaged(
    tree: SourceTree, entries: dict[Any, Any], model: type[AlarmEntry] | type[SwitchedOff]
) -> Iterator[Entry]:
    for name, entry in entries.items():
        if not isinstance(name, str) or not re.fullmatch(NAME_PATTERN, name):
            continue
        try:
            yield Entry(name, tree, model.model_validate(entry))
        except ValidationError:
            continue  # told already


# --- within one rule ----------------------------------------------------------------------------


def _checked(entry: Entry) -> Iterator[Finding]:
    rule = entry.rule
    if isinstance(rule, SwitchedOff):
        return
    yield from _for_whom(rule)
    yield from _times(rule)
    yield from _limits(rule, entry.tree, entry.path)
    for position, text in enumerate(rule.caution):
        nearest = nearest_name(text, CAUTIONS)
        if text not in CAUTIONS and len(text) <= SHORT_CAUTION and nearest is not None:
            yield Finding(
                ("caution", position), f"'{text}'", "the name of a caution, or a sentence", nearest
            )


def _for_whom(rule: AlarmEntry) -> Iterator[Finding]:
    whom = rule.bound_to
    if (whom.each is None) is (whom.one is None):
        found = "neither 'each' nor 'one'" if whom.each is None else "both 'each' and 'one'"
        yield Finding(("for",), found, "'each' with a kind, or 'one' with a name", at_key=True)
    elif whom.one is not None and whom.leaving_out:
        yield Finding(
            ("for", "except"), "'except' beside 'one'", "it only with 'each'", at_key=True
        )


def _times(rule: AlarmEntry) -> Iterator[Finding]:
    if rule.more_than is not None and rule.not_within is not None:
        yield Finding(
            ("not_within",), "'not_within' beside 'more_than'", "one of the two", at_key=True
        )
    positive: list[tuple[Path, str | None]] = [
        (("not_within",), rule.not_within),
        (("respond_within",), rule.respond_within),
    ]
    if rule.more_than is not None:
        positive.append((("more_than", "within"), rule.more_than.within))
    for path, written in positive:
        if written is not None and duration_us(written) == 0:
            yield Finding(path, f"'{written}'", "a time above zero")


def _limits(rule: AlarmEntry, tree: SourceTree, at: Path) -> Iterator[Finding]:
    conditions = " ".join([rule.when, *(each.when for each in rule.suppressed_by)])
    for name, limit in rule.limits.items():
        path: Path = ("limits", name)
        if name in NO_LIMIT_NAMES:
            yield Finding(path, f"'{name}' as the name of a limit", "another", at_key=True)
        elif not re.search(rf"(?<![\w.]){name}(?![\w.])", conditions):
            yield Finding(
                path,
                f"the limit '{name}' that no condition uses",
                "its name in 'when', or no such limit",
                at_key=True,
            )
        alone = not isinstance(tree.value((*at, *path)), dict)
        yield from _figure(path if alone else (*path, "value"), limit.value)
        if limit.deadband is not None:
            yield from _figure((*path, "deadband"), limit.deadband)
            yield from _deadband((*path, "deadband"), limit)


def _figure(path: Path, written: str | float) -> Iterator[Finding]:
    figure = figure_of(written)
    if isinstance(figure, NoFigure):
        yield Finding(path, f"'{written}'", figure.expected, figure.nearest)


def _deadband(path: Path, limit: LimitBlock) -> Iterator[Finding]:
    value, deadband = figure_of(limit.value), figure_of(limit.deadband or 0.0)
    if not isinstance(value, Figure) or not isinstance(deadband, Figure):
        return
    if value.unit.kind != deadband.unit.kind:
        yield Finding(
            path,
            f"'{limit.deadband}', a figure of {deadband.unit.kind}",
            f"one of {value.unit.kind}, as the value is",
        )
    elif deadband.value < 0.0:
        yield Finding(path, f"'{limit.deadband}'", "a figure of at least zero")
