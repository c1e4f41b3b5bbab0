"""Names of a plant: types, units, words and what belongs to what."""

from __future__ import annotations

import pytest

from collector.core.own_points import OWN_POINTS
from collector.core.quantities import QUANTITIES
from collector.plant.load import load_plant
from collector.plant.references import NAMES_TAKEN
from collector.rulebook.roles import MODELS, roles_of
from collector.rulebook.told import TOLD, WORDS
from collector.rulebook.vocabulary import (
    RESERVED,
    kind_of,
    names_of,
    needs_of,
    owners_of,
    related,
    title_of,
    vocabulary_of,
    vocabulary_of_kind,
)
from tests.unit.plant.wrong_files import EVERY_KIND

PLANT = load_plant(EVERY_KIND)


@pytest.mark.parametrize(
    ("name", "fact", "type_", "unit"),
    [
        ("p1.run", "works.p1_run", "yes or no", None),
        ("p1.current", "works.p1_current", "number", "A"),
        ("p1.start_counter", "works.p1_starts", "number", "1"),
        ("p1.in_fault", "p1.in_fault", "yes or no", None),
        ("sump.high", "works.high", "yes or no", None),
        ("sump.inflow", "sump.inflow", "number", "m3/h"),
        ("works.mode", "works.mode", "word", None),
        ("works.link_state", "works.link_state", "word", None),
        ("supply.present", "power.mains", "yes or no", None),
        ("inflow.flow", "works.flow", "number", "L/s"),
        ("collector.disk_short", "collector.disk_short", "yes or no", None),
        ("collector.mqtt_behind", "collector.mqtt_behind", "number", "min"),
    ],
)
def test_a_name_has_its_fact_type_and_unit(
    name: str, fact: str, type_: str, unit: str | None
) -> None:
    """Roles are the points they name, in the point's unit; quantities are in that of the table."""
    found = vocabulary_of(PLANT)[name]
    assert (found.fact, found.type) == (fact, type_)
    assert (None if found.unit is None else found.unit.code) == unit


def test_words_are_those_of_the_file_or_of_the_table() -> None:
    """So that a misspelt word is found."""
    names = vocabulary_of(PLANT)
    assert names["works.mode"].words == ("off", "hand", "auto")
    assert names["works.link_state"].words == ("up", "lost", "away", "not watched")


def test_what_the_plant_file_lacks_has_no_name() -> None:
    """A pump without a fault contact has no fault; a well without a pump curve's main no wear."""
    assert "fault" not in names_of(PLANT, "p2")
    assert "in_fault" not in names_of(PLANT, "p2")
    assert "wear_factor" not in names_of(PLANT, "p1")
    assert "wear_factor" in names_of(PLANT, "bay_pump")
    assert "not_in_auto" in names_of(PLANT, "p2")


def test_this_is_what_a_rule_is_bound_to_and_what_belongs_to_it() -> None:
    """A pump has its well, its group, the panel of its contacts and that panel's supply."""
    assert related(PLANT, "p1") == {
        "this_panel": "works", "this_supply": "supply", "this_well": "sump", "this_group": "pumps",
    }  # fmt: skip
    assert related(PLANT, "pumps") == {
        "this_panel": "works", "this_supply": "supply", "this_well": "sump",
    }  # fmt: skip
    assert related(PLANT, "outlying") == {"this_panel": "outlying"}
    assert related(PLANT, "collector") == {}
    names = vocabulary_of(PLANT, "p1")
    assert names["this.run"] == names["p1.run"]
    assert names["this_well.high"] == names["sump.high"]


def test_kinds_are_those_of_plant_files_and_a_few_more() -> None:
    """Each has its table, and everything in it is a quantity or explained."""
    assert {*MODELS, "panel"} == set(TOLD)
    for kind, listed in TOLD.items():
        names = [told.name for told in listed]
        assert len(names) == len(set(names)), kind
        assert not {role.name for role in roles_of(kind)} & set(names)
        for told in listed:
            assert told.means if told.finding else told.name in QUANTITIES
    assert set(WORDS) | {"level_band"} == {name for name, each in QUANTITIES.items() if each.text}
    assert {kind_of(PLANT, name) for name in PLANT.equipment} == set(MODELS)
    assert owners_of(PLANT, "collector") == ["collector"]
    assert (kind_of(PLANT, "works"), kind_of(PLANT, "nothing")) == ("panel", None)
    assert (title_of(PLANT, "works"), title_of(PLANT, "plant")) == ("Treatment works", "Old mill")


def test_a_kind_has_every_name_its_equipment_could_have() -> None:
    """Also those no equipment of this plant has, and all it has."""
    for kind in MODELS:
        wide = vocabulary_of_kind(PLANT, kind)
        bare = vocabulary_of_kind(None, kind)
        for owner in owners_of(PLANT, kind):
            assert set(vocabulary_of(PLANT, owner)) <= set(wide)
            assert {f"this.{last}" for last in names_of(PLANT, owner)} <= set(bare)
    assert "this.serial" not in vocabulary_of_kind(None, "pump")
    assert {f"this.{name}" for name in OWN_POINTS} <= set(vocabulary_of_kind(None, "collector"))


def test_what_a_name_needs_is_told_in_words() -> None:
    """For the sentence why a rule is left out."""
    assert needs_of("pump", "in_fault") == "a fault contact"
    assert needs_of("pump", "run") == ""
    assert needs_of("well", "high") == "a high float"
    assert needs_of("meter", "turbidity") == "turbidity to measure"
    assert needs_of("panel", "door") == "a 'door' point"


def test_names_of_ours_are_reserved() -> None:
    """No panel or equipment of a plant file may be called like what rules mean by it."""
    assert set(NAMES_TAKEN) == RESERVED
