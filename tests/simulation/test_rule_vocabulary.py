"""The names rules may use are those the engine tells, by simulated plants and by the code."""

from __future__ import annotations

import re
from pathlib import Path

from collector.core.quantities import FLOAT_ROLES, QUANTITIES
from collector.core.records import RecordKind
from collector.plant.load import load_plant
from collector.rulebook.told import TOLD, WORDS
from collector.rulebook.vocabulary import kind_of, names_of, vocabulary_of
from simulator.faults import FAULTS
from tests.simulation.diagnosis_cases import QUICK_CASES, SLOW_CASES
from tests.simulation.diagnosis_runs import PLANT_FILE, Put, watch

PLANT = load_plant(PLANT_FILE)
DIAGNOSIS = Path(__file__).parents[2] / "collector" / "core" / "diagnosis"
PARTS_OF_IT = {
    "availability", "early_fill", "inflow_pattern", "mains_watch", "panel_watch", "pump_trend",
    "rhythm", "watch",
}  # fmt: skip
"""Names of components, which are built as those of findings are."""

NOT_SO_SOON = {
    "hour_meter_drift": "needs days of running",
    "run_hours_joined": "told after a gap that hid something",
    "starts_joined": "told after a gap that hid something",
    "volume_per_cleaning_trend": "needs weeks of cleanings",
    "overflow_volume": "told when something may have gone over",
    "machine_hours": "told when the logbook says that a machine was replaced",
    "sludge_fill": "told when the logbook says something of sludge",
    "sludge_fill_share": "told when the logbook says something of sludge",
    "sludge_room_lasts": "told when the logbook says something of sludge",
}
"""Quantities of Osier Bend that two healthy days need not bring, and why."""

OF_A_VISITOR = {"bowser_pump.current_run", "bowser_pump.start_counter_drift"}
"""Told only if the towed tank's pump was seen at work for long enough."""


def test_everything_told_of_the_park_is_a_name_and_every_name_of_a_quantity_is_told() -> None:
    """Two days at the park: what is derived can be named in a rule, and what can be named comes,
    but for a few that need longer."""
    kinds = frozenset({RecordKind.DERIVED})
    told = {record.subject: record.value for record in watch(51, 2.1, kinds=kinds).records}
    facts = {
        f"{owner}.{last}"
        for owner in (*PLANT.equipment, *PLANT.panels)
        for last, name in names_of(PLANT, owner).items()
        if name.fact == f"{owner}.{last}" and last in QUANTITIES
        if owner in PLANT.equipment or last not in PLANT.panels[owner].points
    }
    assert set(told) <= facts
    missing = facts - set(told) - OF_A_VISITOR
    assert {name for name in missing if name.rpartition(".")[2] not in NOT_SO_SOON} == set()
    for subject, value in told.items():
        words = WORDS.get(subject.rpartition(".")[2])
        if words is not None and isinstance(value, str):
            assert value in (*words, "unknown"), subject


def test_every_finding_of_the_diagnoses_is_a_name_of_some_kind() -> None:
    """Read from the code: what may be claimed is in the table, and nothing else is."""
    written: set[str] = set()
    for path in DIAGNOSIS.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        written |= set(re.findall(r'f"\{[^}]+\}\.([a-z_]+(?:\{role\}[a-z_]*)?)"', text))
    claimed = {
        name.replace("{role}", role) for name in written - PARTS_OF_IT for role in FLOAT_ROLES
    }
    listed = {told.name for kind in TOLD.values() for told in kind if told.finding}
    assert claimed == listed


def test_what_each_simulated_fault_should_bring_is_a_name_of_its_equipment() -> None:
    """The findings expected of faults exist for the very equipment that gets them."""
    names = vocabulary_of(PLANT)
    cases = (*QUICK_CASES, *SLOW_CASES)
    assert {case.fault for case in cases} >= set(FAULTS) - {"replies_slow", "replies_garbled"}
    missing = {
        subject for case in cases for subject in case.expected if subject not in names
    } - {  # alternatives that these wells, without a level meter, do not have
        f"{well}.float_{role}_against_level"
        for well in ("collection", "meadow_sump")
        for role in FLOAT_ROLES
    }
    assert missing == set()


def test_findings_of_a_bad_day_are_names() -> None:
    """Faults of many kinds at once: whatever is found can be named in a rule."""
    faults = [
        Put("tripped", "collection_pump_2", 2.0, 6.0),
        Put("left_in_hand", "blower_2", 3.0, 9.0),
        Put("float_chattering", "meadow_sump.high", 4.0, 5.0),
        Put("float_stuck", "equalization.start_1", 5.0, 14.0, ("made",)),
        Put("panel_frozen", "works", 15.0, 16.0),
        Put("link_dead", "meadow", 10.0, 12.0),
        Put("dosing_tank_empty", "hypochlorite", 11.0, 13.0),
        Put("contactor_welded", "filter", 16.5, 18.0),
        Put("mains_failed", "works", 20.0, 21.0),
    ]
    found = {subject for _, subject in watch(52, 1.0, faults).raised()}
    assert len(found) >= 8
    assert found <= set(vocabulary_of(PLANT))


def test_roles_are_other_names_of_points() -> None:
    """``collection.high`` is the contact on the works' panel; the estimated level keeps its name
    beside the measured one."""
    names = vocabulary_of(PLANT, "equalization")
    assert names["collection.high"].fact == "works.collection_high"
    assert names["this.level"].fact == "equalization.level"
    assert names["this.level_measured"].fact == "works.equalization_level"
    assert names["hypochlorite.tank_low"].fact == "hypochlorite.tank_low"
    assert names["hypochlorite.tank_low_contact"].fact == "works.hypochlorite_tank_low"
    assert names["turbidity_meter.turbidity"].fact == "works.turbidity"
    assert names["this_supply.present"].fact == "works.mains_present"
    assert kind_of(PLANT, "equalization") == "well"
