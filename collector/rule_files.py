"""The rule files in force, with the text and hash under which the journal keeps them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.core.alarms.rule import AlarmRule
from collector.core.service.rule import ServiceRule
from collector.errors import ConfigurationError, Problem
from collector.plant.model import Plant
from collector.rulebook.load import SHIPPED, RuleSet, files_of, read_rules
from collector.rulebook.service_load import (
    SHIPPED_SERVICE,
    ServiceSet,
    is_service,
    read_service_rules,
)

KIND, SERVICE_KIND = "rules", "service"
"""The kinds of configuration under which the journal keeps alarm rules and tasks of service."""


NO_TASKS = ServiceSet((), ())


@dataclass(frozen=True, slots=True)
class RuleFiles:
    """Rule files that were read, bound to a plant.

    Args:
        paths: files and directories as the user gave them.
        book: what they say.
        tasks: what they say of service.
    """

    paths: tuple[Path, ...]
    book: RuleSet
    tasks: ServiceSet = NO_TASKS

    @property
    def service(self) -> tuple[ServiceRule, ...]:
        """The tasks of service."""
        return self.tasks.rules

    @property
    def alarms(self) -> tuple[AlarmRule, ...]:
        """The alarm rules."""
        return self.book.alarms

    @property
    def subjects(self) -> frozenset[str]:
        """Of all alarms there are."""
        return frozenset(rule.subject for rule in self.book.alarms)

    @property
    def hash(self) -> str:
        """SHA-256 of names and texts of the files of alarms, in hexadecimal."""
        return self.book.hash

    @property
    def text(self) -> str:
        """The files of alarms as JSON: name and text of each, as ``parse_rules`` takes them."""
        return json.dumps(self.book.files, ensure_ascii=False, indent=1)


def read_rule_files(paths: Sequence[Path] | None, plant: Plant) -> RuleFiles:
    """Read and check rule files, of alarms and of service.

    Args:
        paths: files, or directories whose ``*.yaml`` are read; None for the shipped ones.
        plant: a checked plant file.

    Raises:
        ConfigurationError: with every problem of the files.
    """
    wanted = (SHIPPED, SHIPPED_SERVICE) if paths is None else tuple(paths)
    alarms: list[Path] = []
    service: list[Path] = []
    for file in files_of(wanted):
        (service if _is_service(file) else alarms).append(file)
    problems: list[Problem] = []
    book, tasks = RuleSet((), ()), NO_TASKS
    try:
        book = read_rules(alarms, plant)
    except ConfigurationError as error:
        problems += error.problems
    try:
        tasks = read_service_rules(service, plant)
    except ConfigurationError as error:
        problems += error.problems
    if problems:
        raise ConfigurationError(problems)
    return RuleFiles(wanted, book, tasks)


def _is_service(file: Path) -> bool:
    """Whether a file is one of service; one that cannot be read is told by the other reader."""
    try:
        return is_service(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError):
        return False
