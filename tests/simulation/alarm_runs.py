"""Runs the simulated plant under the shipped alarm rules and keeps what was annunciated."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from zoneinfo import ZoneInfo

from collector.core.alarms.rule import AlarmRule
from collector.core.records import RecordKind
from collector.core.service.rule import ServiceRule
from collector.plant.load import load_plant
from collector.reports.alarm_history import KINDS, History, build_history
from collector.reports.alarm_performance import Performance, perform
from collector.reports.alarm_rows import Activation
from collector.rulebook.load import SHIPPED, read_rules
from tests.simulation.diagnosis_runs import DAY_US, HOUR_US, PLANT_FILE, START_US, Put, Seen, watch

PLANT = load_plant(PLANT_FILE)
ZONE = ZoneInfo(PLANT.plant.time_zone)


@dataclass(frozen=True)
class AlarmsAlone:
    """Rules of alarms in force, and no service."""

    alarms: tuple[AlarmRule, ...]
    service: tuple[ServiceRule, ...] = ()


@cache
def shipped() -> AlarmsAlone:
    """The rules that ship, for Osier Bend."""
    return AlarmsAlone(read_rules([SHIPPED], PLANT).alarms)


@dataclass(frozen=True)
class Annunciated:
    """What one run brought.

    Args:
        seen: the run.
        start_us, end_us: its begin and end, UTC.
        history: every activation.
    """

    seen: Seen
    start_us: int
    end_us: int
    history: History

    def raised(self) -> Iterator[tuple[float, Activation]]:
        """Hour and activation of every alarm that people were shown, in order."""
        for one in self.history.activations:
            if not one.covered:
                yield (one.began_utc_us - self.start_us) / HOUR_US, one

    def performance(self) -> Performance:
        """The standard's figures of the whole run."""
        return perform(self.history.activations, self.start_us, self.end_us, ZONE)


def watch_alarms(
    seed: int, days: float, faults: Sequence[Put] = (), start_us: int = START_US
) -> Annunciated:
    """Watch the simulated plant for some days under the shipped rules.

    Args:
        seed: of the plant.
        days: how long.
        faults: what to put in.
        start_us: first instant, UTC.
    """
    end_us = start_us + round(days * DAY_US)
    kinds = frozenset({*KINDS, RecordKind.FINDING})
    seen = watch(seed, days, faults, start_us, kinds, shipped())
    return Annunciated(
        seen, start_us, end_us, build_history(seen.records, start_us, end_us, end_us)
    )
