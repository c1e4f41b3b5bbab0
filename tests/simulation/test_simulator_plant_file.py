"""The plant file of Osier Bend says exactly what the simulated panels do."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import get_args

import pytest

from collector.plant.equipment import DosingPump, Equipment, Machine, Pump, Well
from collector.plant.load import load_plant
from collector.plant.model import Plant, Point
from collector.plant.registers import register_of
from simulator.image import Contact, Figure, RegisterMap
from simulator.maps import register_maps
from simulator.plant import TIME_ZONE, OsierBend
from simulator.schedule import HOUR_US, SECOND_US
from simulator.site import BOWSER_SHAPE

START_US = 1_752_303_600 * SECOND_US  # 2025-07-12T07:00:00Z
PLANT_FILE = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
MAPS = register_maps()


@pytest.fixture(scope="module")
def plant() -> Plant:
    """The plant file, read as the daemon reads it."""
    return load_plant(PLANT_FILE)


@pytest.fixture(scope="module")
def simulated() -> OsierBend:
    """The simulated plant around noon, the towed tank docked."""
    osier_bend = OsierBend(3, START_US)
    osier_bend.advance_to(START_US + 3 * HOUR_US)
    while not osier_bend.panels["bowser"].reachable():
        osier_bend.advance_until_change(START_US + 9 * HOUR_US)
    osier_bend.advance_to(osier_bend.now_us + 240 * SECOND_US)
    return osier_bend


def signal_at(register_map: RegisterMap, point: Point) -> Contact | Figure:
    """The signal that lies where a point of the plant file looks."""
    register = register_of(point)
    return next(
        item
        for item in register_map.items()
        if (item.function, item.address) == (register.function, register.address)
        and (isinstance(item, Figure) or item.bit == point.bit)
    )


def test_file_and_maps_name_the_same_points(plant: Plant) -> None:
    """Every point is a signal of its panel under the same name, and every signal a point."""
    assert {name: set(panel.points) for name, panel in plant.panels.items()} == {
        name: set(register_map.signals()) for name, register_map in MAPS.items()
    }


@pytest.mark.parametrize("panel", MAPS)
def test_every_point_lies_on_its_signal(plant: Plant, panel: str) -> None:
    """Table, address, bit, type, word order, wiring and scale agree point by point."""
    description = plant.panels[panel]
    assert description.unit_identifier == MAPS[panel].unit_identifier
    for name, point in description.points.items():
        signal = signal_at(MAPS[panel], point)
        assert signal.name == name
        if isinstance(signal, Contact):
            assert point.inverted is signal.normally_closed, name
            continue
        encodings = {"u16": "uint16", "i16": "int16", "u32": "uint32", "f32": "float32"}
        assert point.type == encodings[signal.encoding], name
        if signal.registers == 2:
            order = point.word_order or description.word_order
            assert order == ("low-first" if signal.low_word_first else "high-first"), name
        if signal.encoding != "f32":
            assert (point.scale or 1.0) == signal.per_count, name
        if point.counter is not None:
            assert signal.wraps, name
            assert point.counter.modulus == (65536 if signal.registers == 1 else 2**32), name


def read_by_hand(image_bytes: bytes, point: Point, order: str) -> float | bool:
    """A point's value from the bytes of its own read, decoded here and nowhere else."""
    register = register_of(point)
    if register.function <= 2:
        return bool(image_bytes[0] & 1) is not point.inverted
    if point.bit is not None:
        word = image_bytes[0] * 256 + image_bytes[1]
        return bool(word & 1 << point.bit) is not point.inverted
    if len(image_bytes) == 4 and order == "low-first":
        image_bytes = image_bytes[2:] + image_bytes[:2]
    letter = {"uint16": "H", "int16": "h", "uint32": "I", "float32": "f"}[point.type or "uint16"]
    raw = struct.unpack(">" + letter, image_bytes)[0]
    return float(raw) * (point.scale or 1.0)


def test_decoding_by_hand_agrees_with_what_is_true(plant: Plant, simulated: OsierBend) -> None:
    """Run contacts, hour meters, starts and levels read through the plant file are those of the
    simulation: meters within their last update of a minute, the level within its noise.
    """

    def value(name: str) -> float | bool:
        panel, _, point_name = name.partition(".")
        point = plant.panels[panel].points[point_name]
        register = register_of(point)
        answer = simulated.panels[panel].image.read(
            register.function, register.address, register.length
        )
        assert isinstance(answer, bytes)
        return read_by_hand(answer, point, point.word_order or plant.panels[panel].word_order)

    truth = simulated.truth
    machines = {n: e for n, e in plant.equipment.items() if isinstance(e, Machine)}
    assert len(machines) == 10
    running = 0
    for name, machine in machines.items():
        run = value(machine.run)
        assert run is (truth.machines[name].since_us is not None), name
        running += run
        if machine.hour_meter is not None:
            panel, _, point_name = machine.hour_meter.partition(".")
            seconds = 3600.0 if plant.panels[panel].points[point_name].unit == "h" else 1.0
            first_h, first_starts = METERS_AT_START[name]
            shown_s = float(value(machine.hour_meter)) * seconds
            true_s = truth.machines[name].run_us(truth.now_us) / SECOND_US
            assert -60.0 - 0.1 * seconds <= shown_s - first_h * 3600.0 - true_s <= 0.05 * seconds
            if machine.start_counter is not None:
                counted = value(machine.start_counter) - first_starts
                assert counted in (truth.machines[name].starts, truth.machines[name].starts - 1)
    assert running >= 2
    assert value("works.equalization_level") / 1000.0 == pytest.approx(
        truth.levels_m["equalization"], abs=0.006
    )
    assert value("bowser.level") / 1000.0 == pytest.approx(truth.levels_m["bowser_tank"], abs=0.05)
    assert value("bowser.docked") is True
    assert value("works.filter_cleaning") is (truth.machines["filter"].since_us is not None)
    floats = [
        (value(each.point), truth.levels_m[name], each.makes_at_m, each.breaks_m)
        for name, well in plant.equipment.items()
        if isinstance(well, Well)
        for _, each in well.floats.by_role()
    ]
    for made, level_m, makes_m, breaks_m in floats:
        assert level_m >= breaks_m - 1e-6 if made else level_m <= makes_m + 1e-6


# Figures the invented panels' meters stand at when the simulation begins: h and starts.
METERS_AT_START = {
    "collection_pump_1": (1204.0, 38_112), "collection_pump_2": (1196.5, 37_905),
    "feed_pump_1": (4021.0, 9_120), "feed_pump_2": (3987.0, 9_077),
    "meadow_pump_1": (388.4, 14_203), "meadow_pump_2": (391.9, 65_490),
    "bowser_pump": (212.6, 733), "blower_1": (6120.0, 0), "blower_2": (6088.0, 0),
    "mixer": (9214.0, 0),
}  # fmt: skip


def test_the_file_describes_the_simulated_tanks(plant: Plant, simulated: OsierBend) -> None:
    """Heights of floats, volumes and edges are those of the simulation, name by name."""
    wells = {n: e for n, e in plant.equipment.items() if isinstance(e, Well)}
    assert set(wells) == set(simulated.wells)
    for name, well in wells.items():
        tank = simulated.wells[name]
        heights = {role: (f.makes_at_m, f.breaks_m) for role, f in well.floats.by_role()}
        assert heights == {role: (f.makes_m, f.breaks_m) for role, f in tank.floats.items()}, name
        for level_m in (0.2, 0.5, 0.8, 1.1):
            if well.plan_area_m2 is not None:
                volume_m3 = well.plan_area_m2 * level_m
                assert tank.shape.volume_m3(level_m) == pytest.approx(volume_m3)
        if well.volume_table is not None:
            for row in well.volume_table:
                assert BOWSER_SHAPE.volume_m3(row.level_m) == pytest.approx(row.volume_m3)
    assert plant.plant.time_zone == TIME_ZONE.key


def test_machines_and_chemicals_carry_the_names_of_the_truth(
    plant: Plant, simulated: OsierBend
) -> None:
    """A machine is called in the truth what the plant file calls it, and so are chemicals."""
    machines = {n for n, e in plant.equipment.items() if isinstance(e, Machine)}
    assert machines | {"filter", "coagulant"} == set(simulated.truth.machines)
    dosing = {n for n, e in plant.equipment.items() if isinstance(e, DosingPump)}
    assert dosing == set(simulated.truth.chemicals_l)
    assert all(e.well in simulated.wells for e in plant.equipment.values() if isinstance(e, Pump))


def test_every_kind_of_equipment_is_in_use(plant: Plant) -> None:
    """The example shows each kind a plant file knows."""
    union = get_args(Equipment)[0]
    assert {type(each) for each in plant.equipment.values()} == set(get_args(union))
