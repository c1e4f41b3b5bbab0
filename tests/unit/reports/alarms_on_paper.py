"""Records of alarms as a collector would have left them, written by hand."""

from __future__ import annotations

import json

from collector.core.records import Quality, Record, RecordKind, Value

NOON_US = 1_782_907_200_000_000  # 2026-07-01T12:00:00Z
MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
HIGH = "collection.high_level"
PUMP = "collection_pump_1.failed"


def moved(
    at_us: int,
    happening: str,
    subject: str = HIGH,
    activation: int = 1,
    state: str = "unacknowledged",
    after_us: int | None = None,
    offset_us: int = 0,
    **details: Value,
) -> Record:
    """A move of an alarm so long after noon; ``after_us`` likewise."""
    told = {name: value for name, value in details.items() if value is not None}
    body = {"state": state, "happening": happening, "activation": activation, **told}
    unknown = happening == "became unknown"
    return Record(
        RecordKind.ALARM, subject, NOON_US + at_us, NOON_US + at_us + offset_us,
        NOON_US + (at_us if after_us is None else after_us), json.dumps(body),
        Quality.BAD if unknown else Quality.GOOD,
    )  # fmt: skip


def raised(
    at_us: int,
    subject: str = HIGH,
    activation: int = 1,
    since_us: int | None = None,
    priority: str = "high",
    title: str = "Collection tank: high level",
    follows: str | None = None,
) -> Record:
    """An alarm is raised; what raised it may have been so since ``since_us``."""
    return moved(
        at_us, "raised", subject, activation, after_us=since_us, priority=priority, title=title,
        follows=follows,
    )  # fmt: skip


def cleared(
    at_us: int, subject: str = HIGH, activation: int = 1, state: str = "returned unacknowledged"
) -> Record:
    """An alarm clears."""
    return moved(at_us, "cleared", subject, activation, state)


def noted(at_us: int, subject: str = HIGH, by: str = "warden", **details: Value) -> Record:
    """Somebody writes a note."""
    body = {"verb": "note", "actor": by, "id": f"n{at_us}", "way": "command line", **details}
    at_us += NOON_US
    return Record(RecordKind.ACTION, subject, at_us, at_us, at_us, json.dumps(body))


def lost(at_us: int, since_us: int, panel: str = "works") -> Record:
    """A panel is lost."""
    at_us += NOON_US
    return Record(
        RecordKind.PANEL_LOST, panel, at_us, at_us, NOON_US + since_us, None, Quality.BAD,
        "link lost",
    )  # fmt: skip


def returned(at_us: int, panel: str = "works") -> Record:
    """A panel answers again."""
    at_us += NOON_US
    return Record(RecordKind.PANEL_RETURNED, panel, at_us, at_us, at_us)
