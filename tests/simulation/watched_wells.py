"""The simulated plant watched for some days: its wells by both methods, and what was true of them.

True pump flows are those of the simulator's own curves and mains at the middle of the working
range, with the wear it gave its pumps.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from collector.core.pipeline import INPUT_KINDS, Pipeline, input_of
from collector.core.records import PanelLost, PanelReturned, PointChanged, Record
from collector.core.wells.facts import Figure
from collector.core.wells.look import Look
from collector.core.wells.pairwise import Crossing, Drawdown, PairwiseMeter
from collector.core.wells.well_flow import WellFlow
from collector.links.planning import plan_panel
from collector.plant.equipment import Pump, Well
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from collector.virtual import run_virtually
from simulator import site
from simulator.hydraulics import PumpSet
from simulator.plant import OsierBend

START_US = int(datetime(2026, 7, 1, tzinfo=UTC).timestamp()) * 1_000_000
DAY_US = 86_400_000_000
PLANT_FILE = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
STATIONS = {
    "collection": PumpSet(site.COLLECTION_CURVE, site.COLLECTION_MAIN),
    "meadow_sump": PumpSet(site.MEADOW_CURVE, site.MEADOW_MAIN),
    "equalization": PumpSet(site.FEED_CURVE, site.FEED_MAIN),
}
WEAR = {
    "collection_pump_1": 0.97, "collection_pump_2": 0.92, "feed_pump_1": 0.98,
    "feed_pump_2": 0.94, "meadow_pump_1": 1.0, "meadow_pump_2": 0.95,
}  # fmt: skip
"""As built into the simulated plant."""


@dataclass
class Paired:
    """A well by the pairwise method.

    Args:
        meter: finds its fills and drawdowns.
        flows_m3_s: flow of each drawdown of one pump alone, by pump.
        pumped_m3: run time times the flow of the newest drawdown of the set that ran.
        days_m3: what that came to at the end of each day.
    """

    well: Well
    pumps: dict[str, str]
    meter: PairwiseMeter = field(default_factory=PairwiseMeter)
    running: dict[str, bool] = field(default_factory=dict)
    flows_m3_s: dict[str, list[float]] = field(default_factory=dict)
    pumped_m3: float = 0.0
    days_m3: list[float] = field(default_factory=list)
    _moved_us: int = START_US

    def take(self, change: PointChanged) -> None:
        """A contact of the well changed."""
        middle_us = (change.after_us + change.by_us) // 2
        if change.point in self.pumps:
            self._book(middle_us)
            self.running[change.point] = bool(change.value)
            self.meter.pumps_changed(self._ran(), middle_us)
            return
        for _, switch in self.well.floats.by_role():
            if switch.point == change.point and change.after_us < change.by_us:
                height_m = switch.makes_at_m if change.value else switch.breaks_m
                assert self.well.plan_area_m2 is not None
                half_us = (change.by_us - change.after_us) // 2
                volume_m3 = height_m * self.well.plan_area_m2
                found = self.meter.crossed(Crossing(middle_us, volume_m3, half_us))
                if isinstance(found, Drawdown) and len(found.pumps) == 1:
                    name = list(self.pumps.values())[found.pumps[0]]
                    self.flows_m3_s.setdefault(name, []).append(found.flow_m3_s)

    def close_day(self, at_us: int) -> None:
        """A day ends."""
        self._book(at_us)
        self.days_m3.append(self.pumped_m3)

    def _ran(self) -> tuple[int, ...]:
        return tuple(k for k, point in enumerate(self.pumps) if self.running.get(point))

    def _book(self, at_us: int) -> None:
        flow = self.meter.flows_m3_s.get(self._ran(), 0.0)
        self.pumped_m3 += flow * max(0, at_us - self._moved_us) * 1e-6
        self._moved_us = max(self._moved_us, at_us)


@dataclass
class Watched:
    """What was found and what was true.

    Args:
        looks: estimate of each well at the end of each day.
        stops: flow of each pump as estimated when it stopped.
        paired: the wells by the pairwise method.
        days_in_m3, days_out_m3: true volumes of each well and day.
    """

    days: int
    looks: dict[str, list[Look]] = field(default_factory=dict)
    stops: dict[str, list[Figure]] = field(default_factory=dict)
    paired: dict[str, Paired] = field(default_factory=dict)
    days_in_m3: dict[str, list[float]] = field(default_factory=dict)
    days_out_m3: dict[str, list[float]] = field(default_factory=dict)
    wells: dict[str, WellFlow] = field(default_factory=dict)


def true_flow_m3_s(wells: dict[str, WellFlow], well: str, pump: str) -> float:
    """What a pump truly gives alone at the middle of the working range of its well."""
    level_m = wells[well].estimator.facts.middle_m
    return STATIONS[well].operating_point(level_m, WEAR[pump])[0] * 1e-3


def watch(seed: int, days: int, script: str | None = None) -> Watched:
    """Watch the simulated plant through the whole pipeline in virtual time."""
    plant = read_plant_file(PLANT_FILE).plant
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    simulated = OsierBend(seed, START_US, script)
    pipeline = Pipeline(plant, plans, START_US)
    found = Watched(days)
    for part in pipeline.engine.components.values():
        if isinstance(part, WellFlow) and part.well in STATIONS:
            found.wells[part.well] = part
            found.looks[part.well] = []
            found.paired[part.well] = _paired(plant, part.well)
    watcher = _Watcher(found)
    run_virtually(pipeline, plans, simulated, START_US, START_US + days * DAY_US, watcher.take)
    watcher.pass_days(START_US + days * DAY_US)
    for well in found.wells:
        found.days_in_m3[well], found.days_out_m3[well] = [0.0] * days, [0.0] * days
        for hour in simulated.truth.wells[well].hours:
            day = (hour.start_us - START_US) // DAY_US
            found.days_in_m3[well][day] += hour.inflow_m3 + hour.returned_m3
            found.days_out_m3[well][day] += hour.pumped_m3
    return found


def _paired(plant: Plant, well_name: str) -> Paired:
    well = plant.equipment[well_name]
    assert isinstance(well, Well)
    pumps = {
        pump.run: name
        for name, pump in sorted(plant.equipment.items())
        if isinstance(pump, Pump) and pump.well == well_name
    }
    return Paired(well, pumps)


class _Watcher:
    """Follows the records as they are made."""

    def __init__(self, found: Watched) -> None:
        self._found = found
        self._next_us = START_US + DAY_US

    def take(self, records: list[Record]) -> None:
        """One batch; the wells have already seen it."""
        for record in records:
            if record.kind not in INPUT_KINDS:
                continue
            news = input_of(record)
            self.pass_days(news.by_us - 1)
            if isinstance(news, PanelLost | PanelReturned):
                for paired in self._found.paired.values():
                    paired.meter.lost()
            elif isinstance(news, PointChanged):
                for name, paired in self._found.paired.items():
                    paired.take(news)
                    if news.point in paired.pumps and news.value is False:
                        self._stopped(name, paired.pumps[news.point], news)

    def pass_days(self, at_us: int) -> None:
        """Close the days that end up to an instant."""
        while self._next_us <= at_us:
            for name, well in self._found.wells.items():
                self._found.looks[name].append(well.look(self._next_us))
                self._found.paired[name].close_day(self._next_us)
            self._next_us += DAY_US

    def _stopped(self, well_name: str, pump: str, change: PointChanged) -> None:
        well = self._found.wells[well_name]
        if change.after_us < change.by_us and well.estimator.known:
            look = well.look(change.by_us)
            figure = look.flows_m3_s[well.pump_names.index(pump)]
            self._found.stops.setdefault(pump, []).append(figure)
