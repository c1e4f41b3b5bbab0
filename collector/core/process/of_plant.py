"""The components of this package for a plant file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from collector.core.component import Component
from collector.core.process.air import AirSupply
from collector.core.process.batches import Batches
from collector.core.process.clarifier import OverflowRate
from collector.core.process.cleaning import FilterCycles
from collector.core.process.contact_time import ContactTime
from collector.core.process.counters import CounterTrack
from collector.core.process.day_statistics import KINDS, DayStatistics
from collector.core.process.dosing import Dosing
from collector.core.process.readiness import PumpReadiness
from collector.core.process.run_check import RunCheck
from collector.core.process.sludge_store import SludgeFill
from collector.core.process.volumes import FlowSource, Throughput, WellOutflow
from collector.core.process.water_meter import MOST_M3_PER_S, FlowComparison, WaterMeter
from collector.core.runs import RunMeter
from collector.core.wells.geometry import maybe_geometry_of
from collector.core.wells.well_flow import WellFlow
from collector.plant.equipment import (
    Blower,
    Clarifier,
    ContactTank,
    DosingPump,
    Filter,
    Group,
    Machine,
    Meter,
    Pump,
    SludgeStore,
    Well,
)
from collector.plant.model import Plant, Point
from collector.units import UNITS

STROKES_PER_S = 6.0
"""Faster than solenoid dosing pumps stroke (common practice, no source)."""

STARTS_PER_S = 1.0
HOURS_PER_S = 1.05
"""An hour meter counts time itself; a panel's clock may be off by some per cent."""


def process_of(
    plant: Plant, runs: Mapping[str, RunMeter], wells: Sequence[WellFlow], start_us: int
) -> list[Component]:
    """All components of this package, those others ask before those that ask.

    Args:
        plant: a checked plant file.
        runs: the run meters by equipment; they are told of every change before these components.
        wells: the flows of the wells, told before these components too.
        start_us: plant time at which watching begins.
    """
    return _Making(plant, runs, wells, start_us).components


class _Making:
    def __init__(
        self, plant: Plant, runs: Mapping[str, RunMeter], wells: Sequence[WellFlow], start_us: int
    ) -> None:
        self._plant, self._runs, self._start_us = plant, runs, start_us
        self._sources: dict[str, FlowSource] = {well.well: WellOutflow(well) for well in wells}
        self._throughputs: dict[str, Throughput] = {}
        self.components: list[Component] = []
        parts = sorted(plant.equipment.items())  # not the order of the file
        for name, part in parts:
            if isinstance(part, Meter) and part.measures in ("flow", "volume"):
                meter = self._water_meter(name, part)
                self._sources[name] = meter
                self.components.append(meter)
        found: list[Component] = []
        for name, part in parts:
            found += self._of(name, part)
        self.components += [*self._throughputs.values(), *found]

    def _of(self, name: str, part: object) -> list[Component]:
        start_us = self._start_us
        if isinstance(part, Group):
            members = {each: self._plant.equipment[each] for each in part.members}
            blowers = {each: blower for each, blower in members.items()
                       if isinstance(blower, Blower)}  # fmt: skip
            return [AirSupply(name, part, blowers, start_us)] if blowers else []
        if isinstance(part, Filter):
            return [FilterCycles(name, part, self._flow(part.flow_from), start_us)]
        if isinstance(part, DosingPump):
            strokes = self._track(part.strokes, _strokes_per_s(part))
            flow = self._flow(part.flow_from)
            return [Dosing(name, part, self._runs.get(name), strokes, flow, start_us)]
        if isinstance(part, ContactTank):
            return [ContactTime(name, part, self._flow(part.flow_from), start_us)]
        if isinstance(part, Clarifier):
            return [OverflowRate(name, part, self._flow(part.flow_from), start_us)]
        if isinstance(part, Meter):
            return self._meter(name, part)
        if isinstance(part, SludgeStore):
            return [SludgeFill(name, part)]
        if isinstance(part, Well):
            return [*self._readiness(name), *self._batches(name, part)]
        if isinstance(part, Machine) and (part.hour_meter or part.start_counter):
            hours = self._track(part.hour_meter, HOURS_PER_S)
            starts = self._track(part.start_counter, STARTS_PER_S)
            return [RunCheck(name, part, self._runs[name], hours, starts, start_us)]
        return []

    def _meter(self, name: str, part: Meter) -> list[Component]:
        if part.measures in KINDS:
            return [DayStatistics(name, part, self._start_us)]
        metered, estimated = self._flow(name), self._flow(part.flow_of)
        if part.flow_of is None or metered is None or estimated is None:
            return []
        return [FlowComparison(name, metered, estimated, self._start_us)]

    def _readiness(self, well: str) -> list[Component]:
        pumps = {
            name: part
            for name, part in sorted(self._plant.equipment.items())
            if isinstance(part, Pump) and part.well == well
        }
        judged = any(pump.fault is not None or pump.auto is not None for pump in pumps.values())
        return [PumpReadiness(well, pumps)] if judged else []

    def _batches(self, name: str, part: Well) -> list[Component]:
        geometry = maybe_geometry_of(part)
        points = [switch.point for _, switch in part.floats.by_role()]
        points += [point for point in (part.level, part.docked) if point is not None]
        panels = {point.partition(".")[0] for point in points}
        visits = all(self._plant.panels[panel].visits for panel in panels)
        if geometry is None or len(panels) != 1 or not (visits or part.docked):
            return []
        error_m = 0.0 if part.level is None else _resolution(self._point(part.level))
        return [Batches(name, part, geometry, error_m, self._sources.get(name))]

    def _flow(self, source: str | None) -> Throughput | None:
        if source is None or source not in self._sources:
            return None
        if source not in self._throughputs:
            self._throughputs[source] = Throughput(self._sources[source], self._start_us)
        return self._throughputs[source]

    def _water_meter(self, name: str, part: Meter) -> WaterMeter:
        point = self._point(part.point)
        if part.measures == "volume":
            counter = self._track(part.point, MOST_M3_PER_S)
            return WaterMeter(name, part, counter, None, self._start_us)
        most = None
        if point.valid_range is not None and point.unit is not None:
            most = UNITS[point.unit].to_si(point.valid_range.high)
        return WaterMeter(name, part, None, most, self._start_us)

    def _track(self, written: str | None, most_per_s: float) -> CounterTrack | None:
        if written is None:
            return None
        point = self._point(written)
        modulus = None if point.counter is None else point.counter.modulus * _count_si(point)
        return CounterTrack(modulus, _resolution(point), most_per_s)

    def _point(self, written: str) -> Point:
        panel, _, name = written.partition(".")
        return self._plant.panels[panel].points[name]


def _strokes_per_s(part: DosingPump) -> float:
    if part.rated_l_per_h is None or part.ml_per_stroke is None:
        return STROKES_PER_S
    return 1.5 * part.rated_l_per_h / 3.6 / part.ml_per_stroke


def _count_si(point: Point) -> float:
    """What one raw count is worth, SI."""
    factor = UNITS[point.unit].si_factor if point.unit else 1.0
    return (1.0 if point.scale is None else abs(point.scale)) * factor


def _resolution(point: Point) -> float:
    """By how much the truth may be off the recorded value: its deadband, and a count; SI."""
    factor = UNITS[point.unit].si_factor if point.unit else 1.0
    step = 0.0 if point.type in ("float32", "float64") else _count_si(point)
    return (point.deadband or 0.0) * factor + step
