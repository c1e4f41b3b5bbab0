"""The engineer's view: it says what is on record, unknown is unknown, and water flows in order."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.core.records import Quality, Record, RecordKind
from collector.journal import Journal
from collector.journal.reader import JournalReader
from collector.plant.load import parse_plant
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from collector.reports.plant_view import Latest, PlantView, view_plant
from collector.reports.view_figures import Figure, decimals_of, length_text
from collector.reports.view_stages import stages_of
from collector.rule_files import read_rule_files
from tests.unit.cli.typed import OSIER_BEND
from tests.unit.reports.alarms_on_paper import HOUR_US, MINUTE_US, NOON_US, raised
from tests.unit.reports.watched_days import rows, watch


@pytest.fixture(scope="module")
def plant() -> Plant:
    return read_plant_file(OSIER_BEND).plant


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return watch(tmp_path_factory.mktemp("watched"), 1.2)


def view_of(journal: Path, plant: Plant) -> PlantView:
    rules = read_rule_files(None, plant)
    with JournalReader(journal) as reader:
        found = view_plant(Latest(reader, plant, rules.alarms, rules.service))
    assert found is not None
    return found


def figure(view: PlantView, equipment: str, key: str) -> Figure:
    (found,) = [
        each for stage in view.stages for part in stage.parts if part.name == equipment
        for each in part.figures if each.key == key
    ]  # fmt: skip
    return found


def newest(journal: Path, subject: str) -> tuple[float, float, float]:
    ((value, low, high),) = rows(
        journal,
        "SELECT r.value, r.low, r.high FROM record r JOIN subject s ON s.id = r.subject "
        "WHERE s.kind = 5 AND s.name = ? ORDER BY r.sequence DESC LIMIT 1",
        (subject,),
    )
    return value, low, high


def test_the_stages_are_the_way_of_the_water(plant: Plant) -> None:
    """What empties into a tank comes before it; each piece of equipment is in one stage."""
    stages = [stage.key for stage in stages_of(plant)]
    assert stages.index("meadow_sump") < stages.index("inlet") < stages.index("collection")
    assert stages.index("bowser_tank") < stages.index("collection")
    assert stages.index("collection") < stages.index("equalization") < stages.index("biology")
    assert stages[-6:] == ["biology", "settling", "filtration", "chemicals", "contact", "supply"]
    members = [name for stage in stages_of(plant) for name in stage.members]
    assert sorted(members) == sorted(plant.equipment)


def test_wells_that_empty_in_a_circle_are_all_there(plant: Plant) -> None:
    """A plant file may say so by mistake of the trade; nothing hangs, nothing is left out."""
    text = OSIER_BEND.read_text().replace(
        "title: Equalization tank\n", "title: Equalization tank\n    empties_into: collection\n"
    )
    circular = parse_plant(text, "plant.yaml")
    members = [name for stage in stages_of(circular) for name in stage.members]
    assert sorted(members) == sorted(circular.equipment)


@pytest.mark.parametrize(
    ("equipment", "key", "factor", "unit"),
    [("collection", "inflow", 3600.0, "m³/h"), ("feed_pump_1", "flow", 3600.0, "m³/h"),
     ("equalization", "level", 1.0, "m"), ("meadow_pump_2", "wear_factor", 1.0, "")],
)  # fmt: skip
def test_figures_are_the_newest_on_record_with_their_bounds(
    journal: Path, plant: Plant, equipment: str, key: str, factor: float, unit: str
) -> None:
    """By SQL on DERIVED records (kind 5), SI to the unit shown; rounding within the uncertainty."""
    value, low, high = (factor * each for each in newest(journal, f"{equipment}.{key}"))
    shown = figure(view_of(journal, plant), equipment, key)
    number = float(shown.text.split()[0])
    half = (high - low) / 2
    assert number == pytest.approx(value, abs=max(half, 0.006))
    assert shown.text.endswith(unit)
    if half > 0.001:
        assert "±" in shown.spread or "to" in shown.spread


def test_what_a_lost_panel_said_is_as_it_was_and_says_so(journal: Path, plant: Plant) -> None:
    """The towed tank is away: no level, no state, figures of the past marked as such."""
    view = view_of(journal, plant)
    (tank,) = [p for stage in view.stages for p in stage.parts if p.name == "bowser_tank"]
    assert tank.word == "unknown"
    assert not tank.known
    assert tank.well is not None
    assert (tank.well.level_m, tank.well.low_m, tank.well.high_m) == (None, None, None)
    assert all(each.made is None for each in tank.well.floats)
    assert all(each.quality == "bad" for each in tank.figures)


def test_a_plant_that_is_well_needs_nobody_but_the_collector(journal: Path, plant: Plant) -> None:
    """Nothing but that nobody watches now, since the journal is held by no process."""
    view = view_of(journal, plant)
    assert [need for need in view.needs if "alarm" in need] == []
    assert view.needs[0].startswith("the collector is not running")


def test_new_records_are_followed_and_an_alarm_needs_somebody(tmp_path: Path, plant: Plant) -> None:
    """What was committed since is taken without reading everything again."""
    path = tmp_path / "weirkeeper.journal"
    sump = OSIER_BEND.read_text()
    fault = "works.blower_1_fault"
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as writer:
        writer.remember_configuration("plant", sump, "hash")
        up = Record(RecordKind.DERIVED, "works.link_state", NOON_US, NOON_US, NOON_US, "up")
        writer.submit([up, Record(RecordKind.POINT, fault, NOON_US, NOON_US, NOON_US, False)])
        assert writer.flush(10)
        with JournalReader(path) as reader:
            latest = Latest(reader, plant)
            assert not latest.follow()
            at = NOON_US + MINUTE_US
            writer.submit([Record(RecordKind.POINT, fault, at, at, at, True)])
            writer.submit([raised(HOUR_US, "collection.high_water", title="Collection: high")])
            assert writer.flush(10)
            assert latest.follow()
            assert latest.newest[RecordKind.POINT, fault].value is True
            assert [one.title for one in latest.standing()] == ["Collection: high"]
            assert latest.newest == reader.latest()
            unread = Record(RecordKind.POINT, fault, at + 1, at + 1, at + 1, None, Quality.BAD, "x")
            writer.submit([unread])
            assert writer.flush(10)
            latest.follow()
            assert latest.newest[RecordKind.POINT, fault].quality is Quality.BAD


@pytest.mark.parametrize(
    ("value", "half", "decimals"),
    [(2.1345, 0.3, 1), (2.1345, 0.03, 2), (0.5, 0.0004, 3), (1234.5, 40.0, 0), (3.0, None, 0),
     (0.0123, None, 3), (21.27, None, 1)],
)  # fmt: skip
def test_no_more_digits_than_the_uncertainty_allows(
    value: float, half: float | None, decimals: int
) -> None:
    """One digit of the uncertainty decides (GUM, JCGM 100:2008, 7.2.6: at most two)."""
    assert decimals_of(value, half) == decimals


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(12.4, "12 s"), (59.6, "1 min"), (90, "2 min"), (3600, "1 h"), (5400, "1 h 30 min"),
     (3599, "1 h"), (90_000, "1 d 1 h"), (20 * 86_400, "20 d")],
)  # fmt: skip
def test_lengths_of_time_are_told_in_units_that_say_something(seconds: float, text: str) -> None:
    """Never 60 minutes, never 24 hours."""
    assert length_text(seconds) == text
