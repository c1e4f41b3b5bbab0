"""How a plant is now, according to its journal: one picture for people and programs.

Nothing here asks a panel. What the journal says is as old as the collector's last sign, and the
picture says how old that is; figures are carried forward to that sign and never beyond.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from collector.core.catalogue import Catalogue
from collector.core.quantities import QUANTITIES
from collector.core.records import Quality, Record, RecordKind
from collector.journal.holder import held_by
from collector.journal.reader import JournalReader
from collector.plant.equipment import DosingPump, Filter, Machine, Well
from collector.plant.load import parse_plant
from collector.plant.model import Plant
from collector.reports.alarm_standing import standing_alarms

STALE_AFTER_US = 60_000_000
CHANGES = 8


@dataclass(frozen=True, slots=True)
class PanelLine:
    """One panel: whether it answers, since when, and how much of the time it did."""

    panel: str
    state: str
    reason: str
    since_utc_us: int | None
    availability: float | None


@dataclass(frozen=True, slots=True)
class WellLine:
    """One well: between which heights the water stands, and which floats are made."""

    well: str
    band: str
    low_m: float | None
    high_m: float | None
    quality: str
    floats: Mapping[str, bool | None]


@dataclass(frozen=True, slots=True)
class MachineLine:
    """One machine: what it does, since when, its totals, and starts in the last hour."""

    machine: str
    kind: str
    state: str
    since_utc_us: int | None
    run_s: float | None
    run_low_s: float | None
    run_high_s: float | None
    unknown_s: float
    starts: int | None
    starts_at_least: bool
    starts_per_hour: float | None


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """One alarm that is not normal; ``unknown`` where nobody knows if it still holds."""

    alarm: str
    title: str
    priority: str
    state: str
    since_utc_us: int
    unknown: bool


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """One of the last changes of a point."""

    at_utc_us: int
    point: str
    value: str
    quality: str
    reason: str


@dataclass(frozen=True, slots=True)
class Picture:
    """A plant as its journal knows it.

    Args:
        as_of_utc_us: the collector's last sign; figures are valid then.
        holder: the process that writes the journal now, or None.
        alarms: what is not normal, the gravest first.
        behind: for each outlet, records it has not confirmed.
    """

    plant: str
    title: str
    time_zone: str
    as_of_utc_us: int
    holder: str | None
    journal: str
    journal_bytes: int
    newest_number: int
    alarms: list[AlarmLine] = field(default_factory=list)
    panels: list[PanelLine] = field(default_factory=list)
    wells: list[WellLine] = field(default_factory=list)
    machines: list[MachineLine] = field(default_factory=list)
    changes: list[ChangeLine] = field(default_factory=list)
    behind: Mapping[str, int] = field(default_factory=dict)

    def troubles(self, now_utc_us: int) -> list[str]:
        """What is not as it should be, in words; empty when all is well."""
        found = []
        if self.holder is None:
            found.append("the collector is not running")
        elif now_utc_us - self.as_of_utc_us > STALE_AFTER_US:
            found.append("the collector has given no sign for over a minute")
        found += [f"no answer from {line.panel}: {line.reason}"
                  for line in self.panels if line.state == "lost"]  # fmt: skip
        found += [f"floats of {line.well} out of order"
                  for line in self.wells if line.band == "out of order"]  # fmt: skip
        found += [f"high float of {line.well} made"
                  for line in self.wells if line.floats.get("high")]  # fmt: skip
        return found


Latest = Mapping[tuple[RecordKind, str], Record]


def draw_picture(path: Path, reader: JournalReader) -> Picture | None:
    """Read the picture of a journal; None where no plant has been recorded yet."""
    configuration = reader.configuration_in_force("plant")
    alive = reader.alive()
    if configuration is None or alive is None:
        return None
    plant = parse_plant(configuration.text, "the plant file on record")
    latest = reader.latest()
    head = reader.head()
    return Picture(
        plant=plant.plant.name,
        title=plant.plant.title,
        time_zone=plant.plant.time_zone,
        as_of_utc_us=alive.utc_us,
        holder=held_by(path),
        journal=str(path),
        journal_bytes=reader.size_bytes(),
        newest_number=head,
        alarms=[
            AlarmLine(
                one.subject, one.title, one.priority, one.state, one.since_utc_us, one.unknown
            )
            for one in standing_alarms(reader)
        ],
        panels=[_panel_line(name, latest) for name in plant.panels],
        wells=[
            _well_line(name, part, latest)
            for name, part in plant.equipment.items()
            if isinstance(part, Well)
        ],
        machines=[
            _machine_line(name, part.kind, latest, alive.at_us)
            for name, part in plant.equipment.items()
            if (isinstance(part, DosingPump) and part.run) or isinstance(part, Machine | Filter)
        ],
        changes=_changes(plant, reader),
        behind={cursor.outlet: head - cursor.delivered for cursor in reader.cursors()},
    )


def _panel_line(name: str, latest: Latest) -> PanelLine:
    state = latest.get((RecordKind.DERIVED, f"{name}.link_state"))
    share = latest.get((RecordKind.DERIVED, f"{name}.link_availability"))
    return PanelLine(
        name,
        "not read yet" if state is None else str(state.value),
        "" if state is None else state.reason,
        None if state is None else state.utc_us,
        None if share is None else _figure(share),
    )


def _well_line(name: str, well: Well, latest: Latest) -> WellLine:
    band = latest.get((RecordKind.DERIVED, f"{name}.level_band"))
    floats: dict[str, bool | None] = {}
    for role, switch in well.floats.by_role():
        contact = latest.get((RecordKind.POINT, switch.point))
        panel_state = latest.get(
            (RecordKind.DERIVED, f"{switch.point.partition('.')[0]}.link_state")
        )
        known = contact is not None and contact.quality is not Quality.BAD
        reachable = panel_state is not None and panel_state.value == "up"
        floats[role] = bool(contact.value) if contact is not None and known and reachable else None
    if band is None:
        return WellLine(name, "unknown", None, None, Quality.BAD.word, floats)
    return WellLine(name, str(band.value), band.low, band.high, band.quality.word, floats)


def _machine_line(name: str, kind: str, latest: Latest, as_of_us: int) -> MachineLine:
    def derived(quantity: str) -> Record | None:
        return latest.get((RecordKind.DERIVED, f"{name}.{quantity}"))

    state, hours, starts = derived("state"), derived("run_hours"), derived("starts")
    rate, unknown = derived("starts_per_hour"), derived("run_hours_unknown")
    carried_s = 0.0
    if state is not None and state.value == "running":
        since_us = state.at_us if hours is None else max(hours.at_us, state.at_us)
        carried_s = max(0, as_of_us - since_us) / 1e6
    run_s = _figure(hours) if hours is not None else (0.0 if state is not None else None)
    return MachineLine(
        machine=name,
        kind=kind,
        state="unknown" if state is None else str(state.value),
        since_utc_us=None if state is None else state.utc_us,
        run_s=None if run_s is None else run_s + carried_s,
        run_low_s=_carried(hours.low if hours else 0.0, carried_s),
        run_high_s=_carried(hours.high if hours else 0.0, carried_s),
        unknown_s=(_figure(unknown) or 0.0) if unknown is not None else 0.0,
        starts=0 if starts is None else int(_figure(starts) or 0),
        starts_at_least=starts is not None and starts.quality is not Quality.GOOD,
        starts_per_hour=_starts_per_hour(rate),
    )


def _changes(plant: Plant, reader: JournalReader) -> list[ChangeLine]:
    catalogue = Catalogue(plant)
    found = []
    for record in reader.recent(CHANGES, (RecordKind.POINT,)):
        found.append(
            ChangeLine(
                record.utc_us,
                record.subject,
                catalogue.shown(record).text,
                record.quality.word,
                record.reason,
            )
        )
    return found


def _starts_per_hour(rate: Record | None) -> float | None:
    per_s = None if rate is None else _figure(rate)
    return None if per_s is None else QUANTITIES["starts_per_hour"].unit.from_si(per_s)


def _figure(record: Record) -> float | None:
    value: Any = record.value
    return float(value) if isinstance(value, int | float) else None


def _carried(bound: float | None, carried_s: float) -> float | None:
    return None if bound is None else bound + carried_s
