"""The pumps and the main of each well, as the plant file states them, in SI units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.core.hydraulics.acceptance import (
    GRADES,
    SMALL_DRIVE,
    Tolerance,
    curve_uncertainty,
)
from collector.core.hydraulics.curves import PumpCurve, curve_through
from collector.core.hydraulics.flow_table import FlowTable
from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import OperatingPoint, RunningPump, operating_point
from collector.plant.equipment import Pump, RisingMain, Well
from collector.plant.model import Plant
from collector.units import UNITS

L_PER_S = UNITS["L/s"].si_factor
MM = UNITS["mm"].si_factor


@dataclass(frozen=True, slots=True)
class StationPump:
    """A pump of a station.

    Args:
        name: in the plant file.
        curve: at full speed, unworn.
        tolerance: of the curve, by its acceptance grade.
        speed_point: the point that tells its speed, or None where it always runs at full speed.
        full_speed: value of that point, in the SI unit of its kind, at which the curve holds.
    """

    name: str
    curve: PumpCurve
    tolerance: Tolerance
    speed_point: str | None = None
    full_speed: float = 1.0

    def share_of_full_speed(self, reading: float) -> float:
        """The speed as a share of full speed, from a value of ``speed_point``; never below 0."""
        return max(0.0, reading / self.full_speed)


@dataclass(frozen=True, slots=True)
class Station:
    """A well's main and those of its pumps whose curve is known.

    Args:
        well: name of the well.
        main: its rising main.
        pumps: by name, in the order of the plant file.
        without_curve: pumps of the well whose curve the file does not state; while one of them
            runs, nothing can be said here.
    """

    well: str
    main: Main
    pumps: Mapping[str, StationPump]
    without_curve: tuple[str, ...] = ()

    def running(
        self,
        names: Sequence[str],
        wear: Mapping[str, float] | None = None,
        speed: Mapping[str, float] | None = None,
    ) -> tuple[RunningPump, ...]:
        """The named pumps as they run.

        Args:
            names: of pumps of this station.
            wear: wear factors by name, 1 where left out.
            speed: shares of full speed by name, 1 where left out.
        """
        return tuple(
            RunningPump(
                self.pumps[name].curve, (speed or {}).get(name, 1.0), (wear or {}).get(name, 1.0)
            )
            for name in names
        )

    def operating_point(
        self,
        names: Sequence[str],
        level_m: float,
        wear: Mapping[str, float] | None = None,
        speed: Mapping[str, float] | None = None,
    ) -> OperatingPoint:
        """What the named pumps give together at a level: see ``operating.operating_point``."""
        pumps = self.running(names, wear, speed)
        return operating_point(pumps, self.main, self.main.lift_m(level_m))

    def flow_table(
        self,
        names: Sequence[str],
        low_m: float,
        high_m: float,
        wear: Mapping[str, float] | None = None,
        speed: Mapping[str, float] | None = None,
    ) -> FlowTable:
        """Flow of the named pumps by level, for many questions."""
        return FlowTable(self.running(names, wear, speed), self.main, low_m, high_m)

    def wear_uncertainty(self, name: str, level_m: float) -> float:
        """Standard uncertainty of a pump's wear factor as long as nothing but its curve is known.

        Args:
            name: of the pump.
            level_m: at which it would run alone.
        """
        pump = self.running([name])[0]
        head_m = operating_point([pump], self.main, self.main.lift_m(level_m)).head_m
        return curve_uncertainty(pump, head_m, self.pumps[name].tolerance)


def stations_of(plant: Plant) -> dict[str, Station]:
    """The stations of a plant, by well: those wells that state a main and the curve of a pump.

    Args:
        plant: a checked plant file.
    """
    stations: dict[str, Station] = {}
    for name, part in plant.equipment.items():
        if not isinstance(part, Well) or part.main is None:
            continue
        pumps = {
            pump_name: pump
            for pump_name, pump in plant.equipment.items()
            if isinstance(pump, Pump) and pump.well == name
        }
        known = {
            pump_name: _station_pump(pump_name, pump, plant)
            for pump_name, pump in pumps.items()
            if pump.curve is not None
        }
        if known:
            unknown = tuple(other for other in pumps if other not in known)
            stations[name] = Station(name, main_of(part.main), known, unknown)
    return stations


def main_of(stated: RisingMain) -> Main:
    """A main of the plant file in SI units."""
    return Main(
        discharge_height_m=stated.discharge_height_m,
        length_m=stated.length_m,
        diameter_m=stated.inner_diameter_mm * MM,
        hazen_williams_c=stated.hazen_williams_c,
        roughness_m=(stated.roughness_mm or 0.0) * MM,
        minor_loss_k=stated.minor_loss_k,
    )


def _station_pump(name: str, pump: Pump, plant: Plant) -> StationPump:
    points = [(point.flow_l_per_s * L_PER_S, point.head_m) for point in pump.curve or ()]
    tolerance = SMALL_DRIVE if pump.acceptance_grade is None else GRADES[pump.acceptance_grade]
    return StationPump(
        name,
        curve_through(points, pump.curve_form),
        tolerance,
        pump.speed,
        full_speed_of(pump, plant),
    )


def full_speed_of(pump: Pump, plant: Plant) -> float:
    """Full speed in the SI unit of the speed reading's kind; 1 for shares and per cent."""
    if pump.speed is None or pump.full_speed is None:
        return 1.0
    panel, _, point = pump.speed.partition(".")
    unit = plant.panels[panel].points[point].unit
    return pump.full_speed if unit is None else UNITS[unit].to_si(pump.full_speed)
