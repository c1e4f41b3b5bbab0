"""What is told of air, cleanings, chemicals and batches, against the simulated truth over 30 days.

The truth is the simulator's own bookkeeping; the collector sees nothing but registers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from collector.core.pipeline import Pipeline
from collector.core.process.air import AirSupply
from collector.core.process.batches import Batches
from collector.core.process.cleaning import FilterCycles
from collector.core.process.dosing import Dosing
from collector.core.process.run_check import RunCheck
from collector.core.records import Record, RecordKind
from collector.links.planning import plan_panel
from collector.plant.load import load_plant
from collector.virtual import SimulatedPanel, run_virtually
from simulator.plant import OsierBend
from simulator.truth import Truth

PLANT = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
START_US = 1_782_864_000_000_000  # 2026-07-01T00:00Z
DAYS = 30
END_US = START_US + DAYS * 86_400_000_000
SEEDS = (11, 12, 13)
pytestmark = pytest.mark.timeout(600)  # the first test of a seed runs its month
PANEL_LATE_STROKES = 12
"""The simulated panel brings its counters up to date once a minute: two minutes' strokes."""


class Watched:
    """The simulated plant, and what was true whenever a cleaning began or the tank came."""

    def __init__(self, plant: OsierBend) -> None:
        self.plant = plant
        self.fed_m3: list[float] = []
        self.emptied_m3: list[float] = []
        self._filter = plant.truth.machine("filter")
        self._cleaning_since_us: int | None = None
        self._docked = False

    @property
    def panels(self) -> Mapping[str, SimulatedPanel]:
        return self.plant.panels

    def advance_to(self, at_us: int) -> None:
        self.plant.advance_to(at_us)

    def advance_until_change(self, limit_us: int) -> int:
        reached_us = self.plant.advance_until_change(limit_us)
        since_us = self._filter.since_us
        if since_us != self._cleaning_since_us:
            self._cleaning_since_us = since_us
            if since_us is not None:
                self.fed_m3.append(self.plant.truth.wells["equalization"].pumped_m3)
        docked = self.plant.panels["bowser"].reachable()
        if docked and not self._docked:
            self.emptied_m3.append(self.plant.truth.wells["bowser_tank"].pumped_m3)
        self._docked = docked
        return reached_us


@dataclass
class Month:
    """A run of thirty days."""

    truth: Truth
    watched: Watched
    pipeline: Pipeline
    records: list[Record]

    def told(self, subject: str) -> list[Record]:
        """The records of one derived quantity."""
        return [
            record
            for record in self.records
            if record.kind is RecordKind.DERIVED and record.subject == subject
        ]


@cache
def month(seed: int) -> Month:
    """Watch the plant for thirty days, once for all tests."""
    plant = load_plant(PLANT)
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    watched = Watched(OsierBend(seed, START_US, intervals_kept=100_000))
    pipeline = Pipeline(plant, plans, START_US)
    records: list[Record] = []
    run_virtually(pipeline, plans, watched, START_US, END_US, records.extend)
    return Month(watched.plant.truth, watched, pipeline, records)


def runs_of(truth: Truth, machine: str) -> list[tuple[int, int]]:
    """True runs of a machine; one that lasts ends now."""
    found = list(truth.machines[machine].intervals)
    since_us = truth.machines[machine].since_us
    return found if since_us is None else [*found, (since_us, END_US)]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_cleaning_is_counted(seed: int) -> None:
    """The count of finished cleanings is exact."""
    seen = month(seed)
    part = seen.pipeline.engine.components["filter.cycles"]
    assert isinstance(part, FilterCycles)
    assert part.cleanings == seen.truth.cleanings > 100


@pytest.mark.parametrize("seed", SEEDS)
def test_wash_water_lies_within_its_bounds(seed: int) -> None:
    """True wash water lies within the stated bounds, and the best figure within 1 % of it."""
    seen = month(seed)
    part = seen.pipeline.engine.components["filter.cycles"]
    assert isinstance(part, FilterCycles)
    reading, true_m3 = part.wash.reading(END_US), seen.truth.volumes_m3["wash_water"]
    assert reading is not None
    assert reading.low <= true_m3 <= reading.high
    assert reading.value == pytest.approx(true_m3, rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_volumes_per_cleaning_hold_the_truth(seed: int) -> None:
    """At least nine in ten of the told volumes per cleaning hold the truth within their bounds
    (two standard errors), and together they are right within 3 %."""
    seen = month(seed)
    true_m3 = [b - a for a, b in pairwise(seen.watched.fed_m3)]
    told = seen.told("filter.volume_per_cleaning")
    assert len(told) == len(true_m3)
    held = 0
    for record, true in zip(told, true_m3, strict=True):
        assert record.low is not None
        assert record.high is not None
        held += record.low <= true <= record.high
    assert held >= 0.9 * len(told)
    total = sum(record.value for record in told if isinstance(record.value, float))
    assert total == pytest.approx(sum(true_m3), rel=0.03)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("pump", ["coagulant", "hypochlorite"])
def test_chemical_use_lies_within_its_bounds(seed: int, pump: str) -> None:
    """True use lies within the stated bounds, and the best figure within 1 % of it."""
    seen = month(seed)
    part = seen.pipeline.engine.components[f"{pump}.dosing"]
    assert isinstance(part, Dosing)
    used, true_m3 = part.use.until(END_US), seen.truth.chemicals_l[pump] / 1000.0
    assert used.low - used.edge <= true_m3 <= used.high + used.edge
    assert used.value == pytest.approx(true_m3, rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_strokes_are_counted_across_the_modulus(seed: int) -> None:
    """The 16-bit stroke counter starts at 64 800 and rolls over; no stroke is lost but those the
    panel has not shown yet, and none is doubtful."""
    seen = month(seed)
    saved = seen.pipeline.engine.components["hypochlorite.dosing"].save()
    use = saved["use"]
    assert isinstance(use, dict)
    strokes = use["strokes"]
    assert isinstance(strokes, dict)
    missing = seen.truth.strokes["hypochlorite"] - float(str(strokes["grown"]))
    assert 0.0 <= missing <= 21 + PANEL_LATE_STROKES  # the deadband is 20
    assert strokes["doubt"] == 0.0


@pytest.mark.parametrize("seed", SEEDS)
def test_every_changeover_of_the_blowers_is_counted(seed: int) -> None:
    """The count of changeovers is that of the true intervals of run."""
    seen = month(seed)
    runs = [(run, name) for name in ("blower_1", "blower_2") for run in runs_of(seen.truth, name)]
    order = [name for _, name in sorted(runs)]
    changeovers = sum(a != b for a, b in pairwise(order))
    part = seen.pipeline.engine.components["blowers.air"]
    assert isinstance(part, AirSupply)
    assert part.changeovers == changeovers >= DAYS - 1


@pytest.mark.parametrize("seed", SEEDS)
def test_time_without_air_lies_within_its_bounds(seed: int) -> None:
    """The true time in which no blower ran lies within the stated bounds."""
    seen = month(seed)
    moves = [
        (at_us, step)
        for name in ("blower_1", "blower_2")
        for begin_us, end_us in runs_of(seen.truth, name)
        for at_us, step in ((begin_us, 1), (end_us, -1))
    ]
    without_us, running, last_us = 0, 0, START_US
    for at_us, step in sorted(moves, key=lambda move: (move[0], -move[1])):
        without_us += at_us - last_us if running == 0 else 0
        running, last_us = running + step, at_us
    part = seen.pipeline.engine.components["blowers.air"]
    assert isinstance(part, AirSupply)
    reading = part.lacking.reading(END_US)
    assert reading.low <= without_us / 1e6 <= reading.high
    assert reading.value == pytest.approx(without_us / 1e6, rel=0.001)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_batch_of_the_towed_tank_is_counted_and_measured(seed: int) -> None:
    """Batches are as many as true dockings that ended, and each true volume lies within its bounds.

    The last docking may still last.
    """
    seen = month(seed)
    part = seen.pipeline.engine.components["bowser_tank.batches"]
    assert isinstance(part, Batches)
    emptied = [*seen.watched.emptied_m3, seen.truth.wells["bowser_tank"].pumped_m3]
    true_m3 = [b - a for a, b in pairwise(emptied)]
    told = seen.told("bowser_tank.batch_volume")
    assert seen.truth.bowser_dockings - 1 <= part.batches <= seen.truth.bowser_dockings
    assert len(told) == part.batches > 20
    for record, true in zip(told, true_m3, strict=False):
        assert record.low is not None
        assert record.high is not None
        assert record.low <= true <= record.high
        assert record.value == pytest.approx(true, rel=0.05)


@pytest.mark.parametrize("seed", SEEDS)
def test_hour_meters_and_start_counters_agree(seed: int) -> None:
    """The simulated panels count rightly, so every told drift holds zero within its bounds."""
    seen = month(seed)
    drifts = [
        record
        for record in seen.records
        if record.kind is RecordKind.DERIVED
        and record.subject.endswith(("hour_meter_drift", "start_counter_drift"))
    ]
    assert len(drifts) >= 10
    for record in drifts:
        assert record.low is not None
        assert record.high is not None
        assert record.low <= 0.0 <= record.high, record


@pytest.mark.parametrize("seed", SEEDS)
def test_run_time_joined_by_the_panels_meter_holds_the_truth(seed: int) -> None:
    """The towed tank's pump runs only while its panel answers; its hour meter says so, and the true
    run time lies within the joined bounds."""
    seen = month(seed)
    part = seen.pipeline.engine.components["bowser_pump.check"]
    assert isinstance(part, RunCheck)
    reading = part.joined(END_US)
    assert reading is not None
    true_s = seen.truth.machines["bowser_pump"].run_us(END_US) / 1e6
    assert reading.low <= true_s <= reading.high
    assert reading.value == pytest.approx(true_s, rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_journal_stays_small(seed: int) -> None:
    """What this package tells, with the totals of it, is at most 600 records a day."""
    seen = month(seed)
    mine = {
        name.partition(".")[0]
        for name, part in seen.pipeline.engine.components.items()
        if type(part).__module__.startswith("collector.core.process")
    }
    others = {"state", "run_hours", "run_hours_unknown", "starts", "current_run",
              "starts_per_hour", "level_band", "inflow", "level", "flow", "wear_factor",
              "volume_pumped", "volume_in", "overflow_volume", "time_to_high",
              "time_to_overflow", "storage_reserve", "started", "stopped"}  # fmt: skip
    count = 0
    for record in seen.records:
        owner, _, rest = record.subject.partition(".")
        quantity = rest.partition(".")[0]
        if (
            record.kind in (RecordKind.DERIVED, RecordKind.EVENT, RecordKind.TOTAL)
            and owner in mine
            and quantity not in others
            and not quantity.startswith("float_")
        ):
            count += 1
    assert count / DAYS <= 600
