"""The data dictionary of an export: its columns, words, and every subject that is in it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from collector.core.catalogue import Catalogue, unit_of_total
from collector.core.own_points import own_point
from collector.core.quantities import EVENTS, QUANTITIES
from collector.core.records import Quality, Record, RecordKind
from collector.plant.model import Plant
from collector.reports.data_export.rows import MEANS

FORMAT = 1
KINDS: dict[RecordKind, str] = {
    RecordKind.POINT: "a point of a panel has this value from then on",
    RecordKind.PANEL_LOST: "nothing of the panel is known since begin_utc",
    RecordKind.PANEL_RETURNED: "the panel answers again",
    RecordKind.CLOCK: "the wall clock was stepped",
    RecordKind.DERIVED: "a derived quantity has this value from then on",
    RecordKind.EVENT: "something happened to equipment",
    RecordKind.CONFIGURATION: "a file came into force; text is its SHA-256",
    RecordKind.COLLECTOR: "the collector did something",
    RecordKind.TOTAL: "what an hour, plant day or month saw; of several the newest counts",
    RecordKind.FINDING: "a diagnosis began to hold, or ceased where text is missing",
    RecordKind.ALARM: "an alarm moved; text is JSON",
    RecordKind.ACTION: "somebody did something; text is JSON",
    RecordKind.HEAD: "the signed head of the audited record; text is JSON",
    RecordKind.SERVICE: "a task of service stands so; text is JSON",
    RecordKind.NOTICE: "somebody was told something; text is JSON",
}
QUALITIES = {
    Quality.GOOD: "as far as is known, right",
    Quality.UNCERTAIN: "usable, with the bounds beside it; the reason says why",
    Quality.BAD: "not known; the reason says why",
}


def dictionary(plant: Plant, journal: str, newest: Iterable[Record]) -> dict[str, Any]:
    """The dictionary as JSON values.

    Args:
        plant: the plant file in force.
        journal: identity of the journal.
        newest: one record of each subject that is exported.
    """
    catalogue = Catalogue(plant)
    subjects = [_subject(record, plant, catalogue) for record in newest]
    return {
        "format": FORMAT,
        "plant": plant.plant.name,
        "title": plant.plant.title,
        "time_zone": plant.plant.time_zone,
        "journal": journal,
        "columns": dict(MEANS),
        "kinds": {kind.word: means for kind, means in KINDS.items()},
        "qualities": {quality.word: means for quality, means in QUALITIES.items()},
        "subjects": sorted(subjects, key=lambda each: (each["kind"], each["subject"])),
    }


def dictionary_json(found: dict[str, Any]) -> str:
    """As JSON text."""
    return json.dumps(found, indent=1, ensure_ascii=False) + "\n"


def dictionary_text(found: dict[str, Any]) -> str:
    """As text for people."""
    lines = [f"{found['title']} ({found['plant']}), journal {found['journal']}", "", "columns"]
    lines += [f"  {name}: {means}" for name, means in found["columns"].items()]
    lines += ["", "kinds"]
    lines += [f"  {name}: {means}" for name, means in found["kinds"].items()]
    lines += ["", "qualities"]
    lines += [f"  {name}: {means}" for name, means in found["qualities"].items()]
    lines += ["", "subjects"]
    for each in found["subjects"]:
        unit = f" [{each['unit']}]" if each["unit"] not in ("", "1") else ""
        lines.append(f"  {each['kind']} {each['subject']}{unit}: {each['title']}; {each['means']}")
    return "\n".join(lines) + "\n"


def _subject(record: Record, plant: Plant, catalogue: Catalogue) -> dict[str, str]:
    owner, _, name = record.subject.partition(".")
    unit = catalogue.unit_of(record).code
    if record.kind is RecordKind.TOTAL:
        unit = unit_of_total(record.subject).code
    part = plant.equipment.get(owner)
    panel = plant.panels.get(owner)
    title = part.title if part is not None else (panel.title or owner) if panel else owner
    return {
        "kind": record.kind.word, "subject": record.subject, "title": title, "unit": unit,
        "means": _means(record, name, plant),
    }  # fmt: skip


def _means(record: Record, name: str, plant: Plant) -> str:
    if record.kind is RecordKind.POINT:
        own = own_point(record.subject)
        if own is not None:
            return own.means
        panel = plant.panels.get(record.subject.partition(".")[0])
        point = panel.points.get(name) if panel is not None else None
        note = point.note if point is not None and point.note else ""
        return note or f"point {name.replace('_', ' ')}"
    quantity = name.partition(".")[0].removesuffix("_least").removesuffix("_greatest")
    if quantity in QUANTITIES and record.kind in (RecordKind.DERIVED, RecordKind.TOTAL):
        return QUANTITIES[quantity].means
    if record.kind is RecordKind.EVENT:
        return EVENTS.get(name, name.replace("_", " "))
    return KINDS[record.kind]
