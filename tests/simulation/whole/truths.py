"""What the record says of the plant beside what was true of it: alarms and volumes.

Both are compared only where the comparison has a meaning: plant time is true time unless the wall
clock was stepped while the collector stood; a fault contact shows the overload relay alone only
while its panel has mains and its registers move.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from collector.core.alarms.wire import alarm_of
from collector.core.records import Record, RecordKind
from collector.core.wells.well_flow import WellFlow
from collector.daemon import Daemon
from simulator.truth import FaultTruth
from tests.simulation.whole.events import HIDING
from tests.simulation.whole.machine import START_US
from tests.simulation.whole.world import World

RULES = {
    "collection_pump_1": "pump_fault", "meadow_pump_2": "pump_fault", "blower_1": "blower_fault",
    "mixer": "mixer_fault",
}  # fmt: skip
MACHINE_PANELS = {"meadow_pump_2": "meadow"}
SEEN_WITHIN_US = 60_000_000
"""A fault that lasts longer, of a panel that answers all the time, must have been alarmed."""


@dataclass(frozen=True, slots=True)
class Compared:
    """What was compared, and what was wrong."""

    count: int
    wrong: list[str]


def compare_alarms(world: World, records: Sequence[Record]) -> Compared:
    """Begin and end of alarms of tripped machines lie in the brackets that are told of them, and no
    trip that was watched went without."""
    faults = list(world.plant.truth.faults)
    if world.unmeasured or any(fault.fault in HIDING for fault in faults):
        return Compared(0, [])
    count, wrong = 0, []
    for machine, rule in RULES.items():
        trips = [f for f in faults if f.fault == "tripped" and f.target == machine]
        moves = [
            alarm_of(record)
            for record in records
            if record.kind is RecordKind.ALARM and record.subject == f"{machine}.{rule}"
        ]
        for move in moves:
            if move.happening not in ("raised", "cleared"):
                continue
            count += 1
            instants = [t.begin_us if move.happening == "raised" else t.end_us for t in trips]
            if not any(at is not None and move.after_us <= at <= move.by_us for at in instants):
                wrong.append(
                    f"{machine}.{rule} {move.happening} between {_s(move.after_us)} and "
                    f"{_s(move.by_us)}, true are {[_s(at) for at in instants if at]}"
                )
        panel = MACHINE_PANELS.get(machine, "works")
        for trip in _watched(world, trips, records, panel):
            count += 1
            if not any(
                move.happening == "raised" and move.after_us <= trip.begin_us <= move.by_us
                for move in moves
            ):
                wrong.append(f"{machine} tripped at {_s(trip.begin_us)}, and no alarm said so")
    return Compared(count, wrong)


def _watched(
    world: World, trips: Iterable[FaultTruth], records: Sequence[Record], panel: str
) -> Iterator[FaultTruth]:
    """Trips that lasted and during which the panel was never lost."""
    losses: list[tuple[int, int]] = []
    lost_us: int | None = START_US
    now_us = world.machine.true_us()
    for record in records:
        if record.subject == panel and record.kind is RecordKind.PANEL_LOST and lost_us is None:
            lost_us = record.after_us
        elif record.subject == panel and record.kind is RecordKind.PANEL_RETURNED:
            losses.append((now_us if lost_us is None else lost_us, record.at_us))
            lost_us = None
    if lost_us is not None:
        losses.append((lost_us, now_us))
    for trip in trips:
        begin_us, end_us = trip.begin_us, min(trip.end_us or now_us, now_us)
        lost = any(a <= end_us and begin_us <= b for a, b in losses)
        if end_us - begin_us > SEEN_WITHIN_US and not lost:
            yield trip


def compare_volumes(world: World, made: Daemon) -> Compared:
    """What each well's pumps took out lies within the bounds that are told."""
    if world.unmeasured or world.plant.truth.faults:
        return Compared(0, [])
    count, wrong = 0, []
    now_us = made.clock.now_us()
    for component in made.recorder.pipeline.engine.components.values():
        if not isinstance(component, WellFlow):
            continue
        well = component.well
        told = component.readings(now_us).get(f"{well}.volume_pumped")
        if told is None or well not in world.plant.truth.wells:
            continue
        count += 1
        true_m3 = world.plant.truth.wells[well].pumped_m3
        if not told.low <= true_m3 <= told.high:
            wrong.append(
                f"{well} pumped {true_m3:.3f} m3, told are {told.value:.3f} m3, "
                f"{told.low:.3f} to {told.high:.3f}"
            )
    return Compared(count, wrong)


def _s(at_us: int) -> str:
    return f"{(at_us - START_US) / 1e6:.3f} s"
