"""The service sheet: the page somebody takes along to a visit, and the same as data.

Printed in black on A4 or Letter; nothing in it needs a network. Everything that comes from files or
people is escaped by the template library.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from collector.core.service.rule import ServiceRule
from collector.reports.service import TaskLine
from collector.units import UNITS

STANDING_CAUTION = (
    "A screen or a sheet never proves isolation or a safe atmosphere. Local codes and the maker's "
    "instructions take precedence."
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a sheet says.

    Args:
        plant: title of the plant.
        made: local time at which it was made, as text.
        lines: tasks in walking order.
        rules: by ``equipment.task``.
        titles: of equipment, by name.
        alarms: standing alarms, in words, for who goes there.
        hints: uneven duty and the like.
    """

    plant: str
    made: str
    lines: Sequence[TaskLine]
    rules: Mapping[str, ServiceRule]
    titles: Mapping[str, str]
    alarms: Sequence[str] = ()
    hints: Sequence[str] = ()


def sheet_data(sheet: Sheet) -> dict[str, Any]:
    """The sheet as JSON values."""
    return {
        "plant": sheet.plant,
        "made": sheet.made,
        "tasks": [_task(line, sheet) for line in sheet.lines],
        "parts": _gathered(sheet, "parts"),
        "tools": _gathered(sheet, "tools"),
        "cautions": [*_gathered(sheet, "cautions"), STANDING_CAUTION],
        "standing_alarms": list(sheet.alarms),
        "hints": list(sheet.hints),
    }


def sheet_html(sheet: Sheet) -> str:
    """The sheet as one HTML page."""
    environment = Environment(
        loader=PackageLoader("collector.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("service_sheet.html").render(sheet_data(sheet))


def _task(line: TaskLine, sheet: Sheet) -> dict[str, Any]:
    rule = sheet.rules.get(f"{line.equipment}.{line.task}")
    return {
        "equipment": line.equipment,
        "place": sheet.titles.get(line.equipment, line.equipment),
        "task": line.task,
        "title": line.title,
        "state": line.state,
        "because": line.because,
        "since": line.since,
        "from_entry": line.from_entry,
        "due": due_text(line),
        "example": line.example,
        "steps": list(rule.steps) if rule else [],
        "parts": list(rule.parts) if rule else [],
        "tools": list(rule.tools) if rule else [],
        "cautions": list(rule.cautions) if rule else [],
        "minutes": rule.minutes if rule else None,
        "used": line.used, "used_low": line.used_low, "used_high": line.used_high,
        "interval": line.interval, "unit": line.unit,
        "unit_label": UNITS[line.unit].label if line.unit in UNITS else line.unit,
    }  # fmt: skip


def due_text(line: TaskLine) -> str:
    """When it is due, in words, with the range where it is one."""
    if line.state in ("due", "overdue"):
        return line.state
    if line.likely is None and line.early is None:
        return line.state
    if line.early == line.late or line.late is None or line.early is None:
        day = line.likely or line.early
        return f"about {_short(day)}" if line.early != line.late else _short(day)
    return f"about {_short(line.likely)} ({_short(line.early)} to {_short(line.late)})"


def _short(day: date | None) -> str:
    return "later than can be said" if day is None else day.isoformat()


def _gathered(sheet: Sheet, what: str) -> list[str]:
    """Parts, tools or cautions of all tasks, each once, in order."""
    found: dict[str, None] = {}
    for line in sheet.lines:
        rule = sheet.rules.get(f"{line.equipment}.{line.task}")
        for text in getattr(rule, what) if rule is not None else ():
            found.setdefault(text)
    return list(found)
