"""The wells of a plant file as components, those upstream first."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt

from collector.core.hydraulics.stations import Station, full_speed_of, stations_of
from collector.core.wells.facts import facts_of
from collector.core.wells.geometry import Geometry, maybe_geometry_of
from collector.core.wells.pumping import CurvePumps, PlainPumps, PumpFlows
from collector.core.wells.sources import FixedRate, Source
from collector.core.wells.well_flow import WellFlow
from collector.plant.equipment import Filter, Pump, Well
from collector.plant.model import Plant
from collector.units import UNITS

IN_SERVICE = 0.1
"""How far a pump in service may have gone from its curve by wear, as a standard deviation of its
factor. Common practice, no source."""

WASH_TOLERANCE_PERCENT = 20.0
"""By how much the rate of wash water may be off where the plant file does not say. Common practice,
no source."""


def well_flows_of(plant: Plant, start_us: int) -> list[WellFlow]:
    """One component for each well whose volume is known and that has a pump.

    The order is that of the water, then that of the names, whatever the order of the file.

    Args:
        plant: a checked plant file.
        start_us: plant time at which watching begins.
    """
    stations = stations_of(plant)
    wells = {name: part for name, part in sorted(plant.equipment.items()) if isinstance(part, Well)}
    made: dict[str, WellFlow] = {}
    for name in _downstream(wells):
        well = wells[name]
        geometry = maybe_geometry_of(well)
        pumps = {
            pump_name: pump
            for pump_name, pump in sorted(plant.equipment.items())
            if isinstance(pump, Pump) and pump.well == name
        }
        if geometry is None or not pumps:
            continue
        upstream: list[Source] = [
            made[above]
            for above, other in wells.items()
            if other.empties_into == name and above in made
        ]
        upstream += _wash_returns(plant, name)
        flows = _pump_flows(list(pumps), well, geometry, stations.get(name))
        run_points = [pump.run for pump in pumps.values()]
        speeds = {
            pump.speed: (k, full_speed_of(pump, plant))
            for k, pump in enumerate(pumps.values())
            if pump.speed is not None
        }
        made[name] = WellFlow(name, well, geometry, flows, run_points, start_us, upstream, speeds)
    return list(made.values())


def _wash_returns(plant: Plant, well: str) -> list[Source]:
    """The filters whose wash water runs to a well, in the order of their names."""
    found: list[Source] = []
    for _, part in sorted(plant.equipment.items()):
        if not isinstance(part, Filter) or part.wash_returns_to != well:
            continue
        if part.vacuum_pump is None or part.vacuum_l_per_min is None:
            continue
        flow_m3_s = UNITS["L/min"].to_si(part.vacuum_l_per_min)
        share = 0.01 * (part.vacuum_tolerance_percent or WASH_TOLERANCE_PERCENT)
        found.append(FixedRate(part.vacuum_pump, flow_m3_s, share * flow_m3_s / sqrt(3.0)))
    return found


def _downstream(wells: dict[str, Well]) -> list[str]:
    """Names in the order of the water; where it runs in a circle, the circle is cut."""
    found: list[str] = []

    def add(name: str, below: tuple[str, ...]) -> None:
        for above, other in wells.items():
            if other.empties_into == name and above not in below:
                add(above, (*below, above))
        if name not in found:
            found.append(name)

    for name in wells:
        add(name, (name,))
    return found


def _pump_flows(
    names: Sequence[str], well: Well, geometry: Geometry, station: Station | None
) -> PumpFlows:
    facts = facts_of(well, geometry)
    if station is None or station.without_curve:
        return PlainPumps(names, facts.working_m3)
    tolerance = max(station.wear_uncertainty(name, facts.middle_m) for name in names)
    return CurvePumps(
        [(name, station.pumps[name].curve) for name in names],
        station.main,
        hypot(tolerance, IN_SERVICE),
    )
