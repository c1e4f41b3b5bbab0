"""From the plant file's litres and millimetres to stations in SI units."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.core.hydraulics.acceptance import GRADES, SMALL_DRIVE
from collector.core.hydraulics.curves import SmoothCurve
from collector.core.hydraulics.operating import RunningPump, operating_point
from collector.core.hydraulics.stations import stations_of
from collector.plant.load import load_plant, parse_plant
from tests.unit.plant.wrong_files import EVERY_KIND

CONFIG = Path(__file__).parents[4] / "config"


def test_a_station_is_what_the_file_says() -> None:
    """Main, curve, grade and speed of the file with every kind of part, in SI units."""
    plant = load_plant(EVERY_KIND)
    stations = stations_of(plant)
    assert set(stations) == {"bay"}  # the well 'sump' states no main
    station = stations["bay"]
    assert station.main.discharge_height_m == 6.0
    assert station.main.diameter_m == pytest.approx(0.080)
    assert station.main.loss_m(0.004) == pytest.approx(0.62119 + 0.25830, abs=2e-5)
    pump = station.pumps["bay_pump"]
    assert isinstance(pump.curve, SmoothCurve)
    assert pump.curve.head_m(0.004) == pytest.approx(9.0)
    assert pump.tolerance == GRADES["2B"]
    assert pump.speed_point == "works.bay_speed"
    assert pump.share_of_full_speed(40.0) == pytest.approx(0.8)
    assert pump.share_of_full_speed(-1.0) == 0.0


@pytest.mark.parametrize(
    ("unit", "full", "reading", "share"),
    [("'%'", None, 0.75, 0.75), ("'%'", 90.0, 0.9, 1.0), ("/min", 1450.0, 1450.0 / 60.0, 1.0)],
)
def test_speed_in_any_unit(unit: str, full: float | None, reading: float, share: float) -> None:
    """Readings come in SI units: shares for per cent, 1/s for revolutions a minute."""
    text = EVERY_KIND.read_text(encoding="utf-8")
    text = text.replace("scale: 0.1, unit: Hz", f"scale: 0.1, unit: {unit}")
    text = text.replace("    full_speed: 50\n", "" if full is None else f"    full_speed: {full}\n")
    pump = stations_of(parse_plant(text, "plant.yaml"))["bay"].pumps["bay_pump"]
    assert pump.share_of_full_speed(reading) == pytest.approx(share)


def test_the_example_plants_have_their_stations() -> None:
    """Every well of Osier Bend is a station of all its pumps; so is the one sump."""
    stations = stations_of(load_plant(CONFIG / "osier-bend" / "plant.yaml"))
    assert {name: list(station.pumps) for name, station in stations.items()} == {
        "collection": ["collection_pump_1", "collection_pump_2"],
        "equalization": ["feed_pump_1", "feed_pump_2"],
        "meadow_sump": ["meadow_pump_1", "meadow_pump_2"],
        "bowser_tank": ["bowser_pump"],
    }
    assert all(not station.without_curve for station in stations.values())
    assert stations["collection"].pumps["collection_pump_1"].tolerance == SMALL_DRIVE
    assert list(stations_of(load_plant(CONFIG / "one-sump" / "plant.yaml"))) == ["sump"]


def test_a_pump_without_a_curve_is_told() -> None:
    """Of two pumps with one curve the station knows one, and names the other."""
    text = (CONFIG / "one-sump" / "plant.yaml").read_text(encoding="utf-8")
    before, mark, after = text.partition("    run: meadow.pump_2_run\n")
    curve = after[: after.index("    fault:")]
    station = stations_of(parse_plant(before + mark + after.replace(curve, "", 1), "x"))["sump"]
    assert list(station.pumps) == ["pump_1"]
    assert station.without_curve == ("pump_2",)


def test_a_station_solves_with_names() -> None:
    """Wear and speed go by name, full where nothing is said; a table is made for the same pumps."""
    station = stations_of(load_plant(CONFIG / "one-sump" / "plant.yaml"))["sump"]
    curve = station.pumps["pump_1"].curve
    point = station.operating_point(["pump_1", "pump_2"], 0.6, wear={"pump_2": 0.9})
    expected = operating_point(
        [RunningPump(curve), RunningPump(curve, 1.0, 0.9)], station.main, 5.0 - 0.6
    )
    assert point == expected
    slow = station.operating_point(["pump_1"], 0.6, speed={"pump_1": 0.9})
    assert slow.flow_m3_s < station.operating_point(["pump_1"], 0.6).flow_m3_s
    table = station.flow_table(["pump_1", "pump_2"], 0.3, 1.0, wear={"pump_2": 0.9})
    assert table.at(0.6).flow_m3_s == pytest.approx(expected.flow_m3_s, rel=1e-6)
    assert 0.10 / 3**0.5 <= station.wear_uncertainty("pump_1", 0.6) < 0.1
