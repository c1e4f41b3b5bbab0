"""Runs the simulated plant in virtual time and keeps what was found and what was true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from collector.core.desks import NO_RULES, Rules
from collector.core.pipeline import Pipeline
from collector.core.records import Record, RecordKind
from collector.links.planning import plan_panel
from collector.plant.load import load_plant
from collector.virtual import run_virtually
from simulator.plant import OsierBend
from simulator.truth import Truth

PLANT_FILE = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
START_US = int(datetime(2026, 5, 4, tzinfo=UTC).timestamp()) * 1_000_000
HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US


@dataclass(frozen=True)
class Put:
    """A fault to put in: hours from the start, None for ever."""

    fault: str
    target: str
    at_h: float
    until_h: float | None = None
    extras: tuple[str, ...] = ()


@dataclass
class Seen:
    """What was found in one run."""

    records: list[Record] = field(default_factory=list)
    truth: Truth | None = None
    pipeline: Pipeline | None = None

    @property
    def findings(self) -> list[Record]:
        """All findings, raised and ceased, in order."""
        return [record for record in self.records if record.kind is RecordKind.FINDING]

    def raised(self) -> list[tuple[float, str]]:
        """Hour and subject of every finding raised."""
        return [
            ((record.at_us - START_US) / HOUR_US, record.subject)
            for record in self.findings
            if record.value is not None
        ]


def watch(
    seed: int, days: float, faults: Sequence[Put] = (), start_us: int = START_US,
    kinds: frozenset[RecordKind] = frozenset({RecordKind.FINDING}), rules: Rules = NO_RULES,
) -> Seen:  # fmt: skip
    """Watch the simulated plant for some days.

    Args:
        seed: of the plant.
        days: how long.
        faults: what to put in.
        start_us: first instant, UTC.
        kinds: of records to keep.
        rules: in force.
    """
    plant = load_plant(PLANT_FILE)
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    simulated = OsierBend(seed, start_us)
    for put in faults:
        until_us = None if put.until_h is None else start_us + round(put.until_h * HOUR_US)
        simulated.inject(
            put.fault, put.target, start_us + round(put.at_h * HOUR_US), until_us, *put.extras
        )
    pipeline = Pipeline(plant, plans, start_us, rules=rules)
    seen = Seen(pipeline=pipeline)

    def take(records: list[Record]) -> None:
        seen.records += [record for record in records if record.kind in kinds]

    run_virtually(pipeline, plans, simulated, start_us, start_us + round(days * DAY_US), take)
    seen.truth = simulated.truth
    return seen
