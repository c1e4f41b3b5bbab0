"""Diagnoses against the truth of the simulated plant, on seeds not used in tuning (1 to 5 were).

The whole table, with twenty plants of thirty days, is ``tests/bench/diagnosis_errors.py``.
"""

from __future__ import annotations

import pytest

from collector.core.pipeline import Pipeline
from collector.core.records import Record, RecordKind
from collector.links.planning import plan_panel
from collector.plant.load import load_plant
from collector.virtual import run_virtually
from simulator.plant import OsierBend
from tests.simulation.diagnosis_cases import QUICK_CASES, SLOW_CASES, Case, rain_before_mm, try_case
from tests.simulation.diagnosis_runs import DAY_US, HOUR_US, PLANT_FILE, START_US, watch

QUARTER_US = 91 * DAY_US
NAMES = {case.name: case for case in (*QUICK_CASES, *SLOW_CASES)}
TRIED = [
    ("float_stuck collection.start_1 open", 31),
    ("float_stuck collection.start_2 made", 32),
    ("float_stuck meadow_sump.start_1 made", 33),
    ("float_chattering equalization.low", 34),
    ("fails_to_start meadow_pump_1", 35),
    ("left_in_hand collection_pump_2", 36),
    ("contactor_welded collection_pump_2", 37),
    ("panel_frozen works", 38),
    ("mains_failed works", 39),
    ("filter_cleaning_endless filter", 40),
    ("pump_worn meadow_pump_1 to=0.85", 41),
]


@pytest.mark.parametrize("seed", [21, 22, 23, 24])
def test_nothing_is_found_where_nothing_is_wrong(seed: int) -> None:
    """Ten days in each quarter of the year, rain and all: nothing but wet weather when it is wet,
    and what the contacts say outright (a day tank that is low, water at the high float)."""
    seen = watch(seed, 10.0, start_us=START_US + (seed % 4) * QUARTER_US)
    for record in seen.findings:
        what = record.subject.rpartition(".")[2]
        if what == "wet_weather_inflow" and record.value is not None:
            assert rain_before_mm(seen, record.at_us) > 2.0, record
        else:
            assert what in ("tank_low", "high_water", "wet_weather_inflow"), record


@pytest.mark.parametrize(("name", "seed"), TRIED)
def test_a_fault_is_found_by_its_name_in_time_and_alone(name: str, seed: int) -> None:
    """The right subject first, within the stated time, no other name for the same thing beside it,
    and an end when the fault has ended."""
    case: Case = NAMES[name]
    outcome = try_case(case, seed, shift_h=seed % 5)
    assert outcome.well(case), outcome


def findings_of(pieces: int) -> list[Record]:
    """Two days with faults, watched in so many pieces, each restored from the JSON of the last."""
    plant = load_plant(PLANT_FILE)
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    simulated = OsierBend(51, START_US)
    for fault, target, begin_h, end_h in (
        ("float_stuck", "collection.start_1", 5, 12), ("contactor_welded", "meadow_pump_1", 14, 18),
        ("tripped", "feed_pump_2", 20, 30), ("float_chattering", "collection.high", 32, 33),
        ("check_valve_leaking", "meadow_sump", 34, 40),
    ):  # fmt: skip
        words = ("open",) if fault == "float_stuck" else ()
        simulated.inject(
            fault, target, START_US + begin_h * HOUR_US, START_US + end_h * HOUR_US, *words
        )
    pipeline = Pipeline(plant, plans, START_US)
    found: list[Record] = []

    def take(records: list[Record]) -> None:
        found.extend(record for record in records if record.kind is RecordKind.FINDING)

    length_us = 2 * DAY_US // pieces
    for piece in range(pieces):
        begin_us = START_US + piece * length_us
        run_virtually(pipeline, plans, simulated, begin_us, begin_us + length_us, take)
        saved = pipeline.engine.save()
        assert pipeline.engine.restore(saved) == []
    return found


def test_watched_in_pieces_it_finds_the_same() -> None:
    """A state saved and restored every three hours changes nothing in any finding."""
    whole, pieces = findings_of(1), findings_of(16)
    assert whole == pieces
    assert len({record.subject for record in whole}) >= 4


def test_state_does_not_grow_with_the_days() -> None:
    """The saved state of all diagnoses after six days is hardly more than after three: what is
    kept is bounded (four weeks of hours, forty runs, a few dozen moves)."""
    sizes = []
    for days in (3.0, 6.0):
        seen = watch(52, days)
        assert seen.pipeline is not None
        parts = seen.pipeline.engine.components.values()
        sizes.append(
            sum(
                len(repr(part.save()))
                for part in parts
                if type(part).__module__.startswith("collector.core.diagnosis")
            )
        )
    hours = 24 * 3 * 3  # of three wells in three days more
    assert sizes[1] - sizes[0] < hours * 25 + 3_000
