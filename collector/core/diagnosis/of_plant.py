"""The diagnoses of a plant file as components."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from collector.core.component import Component
from collector.core.diagnosis.availability import AvailabilityWatch
from collector.core.diagnosis.early_fill import EarlyFill, shows_a_leak
from collector.core.diagnosis.inflow_pattern import InflowPattern
from collector.core.diagnosis.panels import MainsWatch, PanelWatch
from collector.core.diagnosis.process_watch import DosingWatch, FilterWatch
from collector.core.diagnosis.pump_calls import CalledPump
from collector.core.diagnosis.pump_trend import PumpTrend
from collector.core.diagnosis.rhythm import RhythmWatch
from collector.core.diagnosis.standing import sure_after_us
from collector.core.diagnosis.well_watch import WellWatch
from collector.core.diagnosis.wording import CHEMICAL, MACHINE, PUMP
from collector.core.wells.well_flow import WellFlow
from collector.plant.equipment import (
    Blower,
    DosingPump,
    Filter,
    Group,
    Machine,
    Mains,
    Mixer,
    Pump,
    Well,
)
from collector.plant.model import Plant


def diagnoses_of(plant: Plant, flows: Iterable[WellFlow], start_us: int) -> list[Component]:
    """Everything that judges a plant; to be told of a change after ``flows`` have been.

    Args:
        plant: a checked plant file.
        flows: the estimates of its wells.
        start_us: plant time at which watching begins.
    """
    makers = _Makers(plant, {each.well: each for each in flows}, start_us)
    found: list[Component] = [
        PanelWatch(name, panel, sure_after_us([panel])) for name, panel in plant.panels.items()
    ]
    for name, part in plant.equipment.items():
        if isinstance(part, Mains):
            found.append(MainsWatch(name, part, makers.sure_us([part.present])))
        elif isinstance(part, Well):
            found += makers.well(name, part)
        elif isinstance(part, Machine):
            found += makers.machine(name, part)
        elif isinstance(part, Group):
            found += makers.group(name, part)
        elif isinstance(part, Filter):
            found += makers.filter(name, part)
        elif isinstance(part, DosingPump):
            found += makers.dosing(name, part)
    return found


class _Makers:
    """Makes the diagnoses of one plant."""

    def __init__(self, plant: Plant, flows: Mapping[str, WellFlow], start_us: int) -> None:
        self._plant = plant
        self._start_us = start_us
        self._flows = flows
        self._mains = {
            panel: part.present
            for part in plant.equipment.values()
            if isinstance(part, Mains)
            for panel in part.panels
        }
        self._groups = [part for part in plant.equipment.values() if isinstance(part, Group)]

    def sure_us(self, points: Iterable[str | None]) -> int:
        """See ``Standing``."""
        panels = {point.partition(".")[0] for point in points if point is not None}
        return sure_after_us(self._plant.panels[panel] for panel in panels)

    def mains_of(self, point: str) -> str | None:
        """The contact that says whether the panel of a point has voltage."""
        return self._mains.get(point.partition(".")[0])

    def machine(self, name: str, part: Machine) -> list[Component]:
        found: list[Component] = []
        if part.fault is not None or part.auto is not None:
            cautions = PUMP if isinstance(part, Pump) else MACHINE
            found.append(
                AvailabilityWatch(name, part.title, part.fault, part.auto, part.run,
                                  self.sure_us((part.run,)), cautions)
            )  # fmt: skip
        alone = not any(name in group.members for group in self._groups)
        if isinstance(part, Blower | Mixer) and alone:
            found.append(
                RhythmWatch(name, part.title, {name: part}, 1, "", self.mains_of(part.run),
                            self.sure_us((part.run,)), by_the_hour=True)
            )  # fmt: skip
        return found

    def group(self, name: str, part: Group) -> list[Component]:
        members = {
            member: machine
            for member in part.members
            if isinstance(machine := self._plant.equipment[member], Blower | Mixer)
        }
        if not members:
            return []
        runs = [machine.run for machine in members.values()]
        return [
            RhythmWatch(
                name, part.title, members, part.needed, ", ".join(part.serves),
                self.mains_of(runs[0]), self.sure_us(runs), by_the_hour=False,
            )
        ]  # fmt: skip

    def filter(self, name: str, part: Filter) -> list[Component]:
        sure_us, mains = self.sure_us((part.cleaning,)), self.mains_of(part.cleaning)
        flows = None if part.flow_from is None else self._flows.get(part.flow_from)
        found: list[Component] = [FilterWatch(name, part, flows, mains, sure_us)]
        if part.fault is not None:
            found.append(
                AvailabilityWatch(name, part.title, part.fault, None, part.cleaning, sure_us)
            )
        return found

    def dosing(self, name: str, part: DosingPump) -> list[Component]:
        points = [point for point in (part.run, part.fault, part.tank_low) if point is not None]
        if not points:
            return []
        sure_us, mains = self.sure_us(points), self.mains_of(points[0])
        feeds = [pump.run for pump in self._pumps_of(part.flow_from).values()]
        found: list[Component] = [DosingWatch(name, part, feeds, mains, sure_us)]
        if part.fault is not None:
            cautions = (*MACHINE, *(CHEMICAL if part.chemical == "hypochlorite" else ()))
            found.append(
                AvailabilityWatch(name, part.title, part.fault, None, part.run, sure_us, cautions)
            )
        return found

    def _pumps_of(self, well: str | None) -> dict[str, Pump]:
        return {
            name: part
            for name, part in sorted(self._plant.equipment.items())
            if isinstance(part, Pump) and part.well == well
        }

    def well(self, name: str, part: Well) -> list[Component]:
        pumps = self._pumps_of(name)
        group = next((each for each in self._groups if set(each.members) & set(pumps)), None)
        order = [m for m in group.members if m in pumps] if group is not None else list(pumps)
        order += [pump for pump in pumps if pump not in order]
        called = [
            CalledPump(
                pump, pumps[pump].title, pumps[pump].run, pumps[pump].fault, pumps[pump].auto,
                self.mains_of(pumps[pump].run),
            )
            for pump in order
        ]  # fmt: skip
        limits = {
            pump: limit
            for pump in order
            if (limit := pumps[pump].starts_per_hour_limit) is not None
        }
        points = [switch.point for _, switch in part.floats.by_role()]
        points += [pumps[pump].run for pump in order]
        if not points:
            return []
        visits = any(self._plant.panels[p.partition(".")[0]].visits for p in points)
        alternating = group is not None and group.duty == "alternating" and group.needed == 1
        flows, sure_us = self._flows.get(name), self.sure_us(points)
        upstream = [
            self._flows[above]
            for above, other in self._plant.equipment.items()
            if isinstance(other, Well) and other.empties_into == name and above in self._flows
        ]
        watch = WellWatch(
            name, part, called, limits, sure_us,
            alternating=alternating, visits=visits, flows=flows, upstream=upstream,
        )  # fmt: skip
        found: list[Component] = [watch]
        if flows is not None:
            serials = {
                pump: serial for pump in order if (serial := pumps[pump].serial_number) is not None
            }
            varying = [pump for pump in order if pumps[pump].speed is not None]
            found.append(
                PumpTrend(
                    name, part, called, serials, flows, upstream, watch.doubted, sure_us, varying
                )
            )
            runs = [pumps[pump].run for pump in order]
            if not visits:
                found.append(
                    InflowPattern(part.title, runs, flows, upstream, self._start_us, sure_us)
                )
            low, start = part.floats.low, part.floats.start_1
            geometry = flows.estimator.facts.geometry
            if visits or low is None or start is None:
                return found
            if shows_a_leak(part, low, geometry):
                found.append(
                    EarlyFill(name, part.title, low, start, runs,
                              geometry, sure_us)
                )  # fmt: skip
        return found
