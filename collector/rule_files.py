"""The rule files in force, with the text and hash under which the journal keeps them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.core.alarms.rule import AlarmRule
from collector.core.service.rule import ServiceRule
from collector.plant.model import Plant
from collector.rulebook.load import SHIPPED, RuleSet, read_rules

KIND = "rules"
"""The kind of configuration under which the journal keeps them."""


@dataclass(frozen=True, slots=True)
class RuleFiles:
    """Rule files that were read, bound to a plant.

    Args:
        paths: files and directories as the user gave them.
        book: what they say.
        service: tasks of service.
    """

    paths: tuple[Path, ...]
    book: RuleSet
    service: tuple[ServiceRule, ...] = ()

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
        """SHA-256 of names and texts of all files, in hexadecimal."""
        return self.book.hash

    @property
    def text(self) -> str:
        """All files as JSON: a list of name and text of each, as ``parse_rules`` takes them."""
        return json.dumps(self.book.files, ensure_ascii=False, indent=1)


def read_rule_files(paths: Sequence[Path] | None, plant: Plant) -> RuleFiles:
    """Read and check rule files.

    Args:
        paths: files, or directories whose ``*.yaml`` are read; None for the shipped rules.
        plant: a checked plant file.

    Raises:
        ConfigurationError: with every problem of the files.
    """
    wanted = (SHIPPED,) if paths is None else tuple(paths)
    return RuleFiles(wanted, read_rules(wanted, plant))
