"""The rules in force, as the journal keeps them."""

from __future__ import annotations

import json

from collector.core.alarms.rule import AlarmRule
from collector.core.service.rule import ServiceRule
from collector.errors import ConfigurationError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.rule_files import KIND, SERVICE_KIND
from collector.rulebook.load import parse_rules
from collector.rulebook.service_load import parse_service_rules


def rules_in_force(reader: JournalReader, plant: Plant) -> tuple[AlarmRule, ...]:
    """The rules in force; none where this version does not understand them.

    Args:
        reader: of the journal.
        plant: the plant in force.
    """
    kept = reader.configuration_in_force(KIND)
    if kept is None:
        return ()
    try:
        return parse_rules(json.loads(kept.text), plant).alarms
    except ConfigurationError:
        return ()


def service_in_force(reader: JournalReader, plant: Plant) -> tuple[ServiceRule, ...]:
    """The tasks of service in force; none where this version does not understand them.

    Args:
        reader: of the journal.
        plant: the plant in force.
    """
    kept = reader.configuration_in_force(SERVICE_KIND)
    if kept is None:
        return ()
    files = [(text, name) for name, text in json.loads(kept.text)]
    try:
        return parse_service_rules(files, plant).rules
    except ConfigurationError:
        return ()
