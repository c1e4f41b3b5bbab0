"""The alarm rules in force, as the journal keeps them."""

from __future__ import annotations

import json

from collector.core.alarms.rule import AlarmRule
from collector.errors import ConfigurationError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.rulebook.load import parse_rules


def rules_in_force(reader: JournalReader, plant: Plant) -> tuple[AlarmRule, ...]:
    """The rules in force; none where this version does not understand them.

    Args:
        reader: of the journal.
        plant: the plant in force.
    """
    kept = reader.configuration_in_force("rules")
    if kept is None:
        return ()
    try:
        return parse_rules(json.loads(kept.text), plant).alarms
    except ConfigurationError:
        return ()
