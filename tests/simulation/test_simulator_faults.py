"""Each fault of the simulator visibly does what it says, ends when it should, and is on record."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from simulator.faults import FAULTS, BadScript, duration_us, parse_script
from simulator.image import Contact
from simulator.plant import OsierBend
from simulator.schedule import HOUR_US, MINUTE_US, SECOND_US

START_US = 1_752_303_600 * SECOND_US  # 2025-07-12T07:00:00Z, a Saturday morning in summer


def plant_with(*lines: str) -> OsierBend:
    """A plant with these lines as its script."""
    return OsierBend(3, START_US, "\n".join(lines), intervals_kept=5000)


def contact(plant: OsierBend, panel: str, name: str) -> bool:
    """A contact as the registers have it, wiring undone."""
    image = plant.panels[panel].image
    place = next(c for c in image.map.contacts if c.name == name)
    return raw_bit(plant, panel, place) is not place.normally_closed


def raw_bit(plant: OsierBend, panel: str, place: Contact) -> bool:
    """The bit of a contact as a reader gets it."""
    answer = plant.panels[panel].image.read(place.function, place.address, 1)
    assert isinstance(answer, bytes)
    if place.bit is None:
        return bool(answer[0] & 1)
    return bool(int.from_bytes(answer, "big") >> place.bit & 1)


def figure(plant: OsierBend, panel: str, name: str) -> int:
    """The raw count of a one-register figure."""
    image = plant.panels[panel].image
    place = next(f for f in image.map.figures if f.name == name)
    answer = image.read(place.function, place.address, 1)
    assert isinstance(answer, bytes)
    return int(struct.unpack(">H", answer)[0])


def moves(plant: OsierBend, panel: str, name: str, until_us: int) -> list[int]:
    """The instants up to ``until_us`` at which a contact moved."""
    instants = []
    before = contact(plant, panel, name)
    while plant.advance_until_change(until_us) < until_us:
        now = contact(plant, panel, name)
        if now != before:
            instants.append(plant.now_us)
            before = now
    return instants


def run_h(plant: OsierBend, name: str) -> float:
    """True run time of a machine in h."""
    return plant.truth.machines[name].run_us(plant.now_us) / HOUR_US


def test_a_float_stuck_open_lets_the_lag_float_do_the_work() -> None:
    """With the lift sump's start float stuck open its contact never moves while the water passes
    it, and the second start float calls both pumps.
    """
    plant = plant_with("at 0s for 6h float_stuck meadow_sump.start_1 open")
    assert moves(plant, "meadow", "start_1", START_US + 6 * HOUR_US - 1) == []
    first, second = (plant.truth.machines[f"meadow_pump_{k}"] for k in (1, 2))
    assert first.starts == second.starts > 3


def test_a_float_stuck_made_never_lets_the_pumps_rest() -> None:
    """With the low float stuck made the collection pumps never see their stop: they run on at the
    intake until the fault ends.
    """
    plant = plant_with("at 0s for 5h float_stuck collection.low made")
    plant.advance_to(START_US + 5 * HOUR_US - SECOND_US)
    assert plant.truth.levels_m["collection"] < 0.13
    assert run_h(plant, "collection_pump_1") + run_h(plant, "collection_pump_2") > 4.5
    plant.advance_to(START_US + 5 * HOUR_US + 3 * SECOND_US)
    assert not contact(plant, "works", "collection_low")
    assert not contact(plant, "works", "collection_pump_1_run")


def test_a_float_stuck_as_it_is_keeps_its_contact() -> None:
    """Without a word the contact stays as it was, and catches up at the end."""
    plant = plant_with("at 10m for 3h float_stuck equalization.start_1")
    plant.advance_to(START_US + 11 * MINUTE_US)
    end_us = START_US + 10 * MINUTE_US + 3 * HOUR_US
    assert moves(plant, "works", "equalization_start_1", end_us - 1) == []


def test_a_chattering_float_bounces_and_then_rests() -> None:
    """It moves more than ten times a minute while the fault is there, and no more afterwards than
    the water makes it.
    """
    plant = plant_with("at 1m for 5m float_chattering equalization.high")
    instants = moves(plant, "works", "equalization_high", START_US + 30 * MINUTE_US)
    assert len(instants) > 50
    assert instants[-1] <= START_US + 6 * MINUTE_US
    assert not contact(plant, "works", "equalization_high")


def test_an_inverted_float_says_the_opposite() -> None:
    """The high float of an ordinary tank then reads made."""
    plant = plant_with("at 1m for 5m float_inverted equalization.high")
    plant.advance_to(START_US + 2 * MINUTE_US)
    assert contact(plant, "works", "equalization_high")
    plant.advance_to(START_US + 7 * MINUTE_US)
    assert not contact(plant, "works", "equalization_high")


@pytest.mark.parametrize(("fault", "share"), [("pump_worn", 0.6), ("pump_blocked", 0.2)])
def test_a_worn_or_blocked_pump_runs_longer_for_the_same_water(fault: str, share: float) -> None:
    """Its drawdowns take clearly longer than those of its fellow; a sound pair differs little."""
    plant = plant_with(f"at 0s for ever {fault} meadow_pump_1 to={share}")
    plant.advance_to(START_US + 8 * HOUR_US)
    machines = plant.truth.machines
    mean = [
        sum(end - begin for begin, end in machines[name].intervals) / len(machines[name].intervals)
        for name in ("meadow_pump_1", "meadow_pump_2")
    ]
    assert mean[0] > 1.2 * mean[1]
    sound = plant_with()
    sound.advance_to(START_US + 8 * HOUR_US)
    mean = [
        sum(end - begin for begin, end in sound.truth.machines[name].intervals)
        / len(sound.truth.machines[name].intervals)
        for name in ("meadow_pump_1", "meadow_pump_2")
    ]
    assert mean[0] < 1.2 * mean[1]


def test_a_blocked_pump_draws_more_current() -> None:
    """The current of a running blocked pump lies above that of the sound one."""
    currents = []
    for lines in ([], ["at 0s for ever pump_blocked collection_pump_1"]):
        plant = plant_with(*lines)
        while not (contact(plant, "works", "collection_pump_1_run")):
            plant.advance_until_change(START_US + HOUR_US)
        plant.advance_to(plant.now_us + 61 * SECOND_US)
        currents.append(figure(plant, "works", "collection_pump_1_current"))
    assert currents[1] > 1.2 * currents[0] > 0


def test_a_tripped_pump_stops_at_once_and_its_fellow_takes_over() -> None:
    """Fault contact, no run, and the other pump does all cycles."""
    plant = plant_with("at 0s for 6h tripped collection_pump_1")
    plant.advance_to(START_US + 6 * HOUR_US - 1)
    assert contact(plant, "works", "collection_pump_1_fault")
    assert plant.truth.machines["collection_pump_1"].starts == 0
    assert plant.truth.machines["collection_pump_2"].starts > 3
    plant.advance_to(START_US + 6 * HOUR_US)
    assert not contact(plant, "works", "collection_pump_1_fault")


def test_a_tripped_blower_is_replaced_by_the_standby() -> None:
    """Within 10 s of the trip the other blower runs."""
    plant = plant_with("at 1h for 2h tripped blower_1", "at 1h for 2h tripped mixer")
    plant.advance_to(START_US + HOUR_US - 1)
    assert contact(plant, "works", "blower_1_run") or contact(plant, "works", "blower_2_run")
    plant.advance_to(START_US + HOUR_US + 10 * SECOND_US)
    assert not contact(plant, "works", "blower_1_run")
    assert contact(plant, "works", "blower_2_run")
    assert contact(plant, "works", "mixer_fault")


def test_without_any_blower_solids_come_over_and_the_filter_cleans_more() -> None:
    """Eight hours without air raise the turbidity above twice its value and the cleanings too."""
    sound = plant_with()
    airless = plant_with("at 0s for 8h tripped blower_1", "at 0s for 8h tripped blower_2")
    for plant in (sound, airless):
        plant.advance_to(START_US + 8 * HOUR_US - 1)
    assert figure(airless, "works", "turbidity") > 2 * figure(sound, "works", "turbidity")
    assert airless.truth.cleanings > sound.truth.cleanings + 3


def test_a_pump_that_fails_to_start_is_called_in_vain() -> None:
    """No run contact, no fault contact, selector in auto: the well fills until the lag float."""
    plant = plant_with("at 0s for ever fails_to_start meadow_pump_1")
    plant.advance_to(START_US + 6 * HOUR_US)
    assert plant.truth.machines["meadow_pump_1"].starts == 0
    assert plant.truth.machines["meadow_pump_2"].starts > 3
    assert not contact(plant, "meadow", "pump_1_fault")
    assert contact(plant, "meadow", "pump_1_auto")


def test_a_pump_left_in_hand_runs_on_dry() -> None:
    """Its selector leaves auto, it runs without a call, and the sump goes down to the intake."""
    plant = plant_with("at 5m for 1h left_in_hand meadow_pump_2")
    plant.advance_to(START_US + HOUR_US)
    assert contact(plant, "meadow", "pump_2_run")
    assert not contact(plant, "meadow", "pump_2_auto")
    assert figure(plant, "meadow", "pump_2_selector") == 1
    assert plant.truth.levels_m["meadow_sump"] == pytest.approx(0.10, abs=1e-6)
    plant.advance_to(START_US + 66 * MINUTE_US + SECOND_US)
    assert not contact(plant, "meadow", "pump_2_run")


def test_a_pump_switched_off_never_runs() -> None:
    """Off is neither auto nor running."""
    plant = plant_with("at 0s for ever switched_off feed_pump_1")
    plant.advance_to(START_US + 8 * HOUR_US)
    assert not contact(plant, "works", "feed_pump_1_auto")
    assert run_h(plant, "feed_pump_1") == 0.0
    assert run_h(plant, "feed_pump_2") > 1.0


def test_a_welded_contactor_runs_uncalled_in_auto() -> None:
    """It runs all the time though the selector stands in auto and the stop float is open."""
    plant = plant_with("at 10m for 1h contactor_welded collection_pump_1")
    plant.advance_to(START_US + 12 * MINUTE_US)
    before_h = run_h(plant, "collection_pump_1")
    plant.advance_to(START_US + 62 * MINUTE_US)
    assert run_h(plant, "collection_pump_1") == pytest.approx(before_h + 50 / 60, abs=1e-9)
    assert contact(plant, "works", "collection_pump_1_auto")
    assert not contact(plant, "works", "collection_low")


def test_a_leaking_check_valve_lets_the_main_back_after_each_stop() -> None:
    """Water comes back, at most a full main (60 m of 80 mm: 302 L) a start, and the cycles come
    quicker than in a sound plant.
    """
    sound, leaking = plant_with(), plant_with("at 0s for ever check_valve_leaking meadow_sump")
    for plant in (sound, leaking):
        plant.advance_to(START_US + 8 * HOUR_US)
    well = leaking.truth.wells["meadow_sump"]
    starts = sum(leaking.truth.machines[f"meadow_pump_{k}"].starts for k in (1, 2))
    assert 0.15 * starts < well.returned_m3 <= 0.302 * (starts + 1)
    assert starts > sum(sound.truth.machines[f"meadow_pump_{k}"].starts for k in (1, 2))
    balance_m3 = well.inflow_m3 + well.returned_m3 - well.pumped_m3 - well.overflow_m3
    stored_m3 = leaking.truth.stored_m3["meadow_sump"]
    assert balance_m3 == pytest.approx(stored_m3 - well.first_m3, abs=1e-9)


def test_a_frozen_panel_answers_with_old_registers_and_catches_up() -> None:
    """Not one register moves, heartbeat included, though the pumps go on; at the end all do."""
    plant = plant_with("at 10m for 2h panel_frozen works")
    plant.advance_to(START_US + 10 * MINUTE_US)
    image = plant.panels["works"].image
    version = image.version
    starts = plant.truth.machines["collection_pump_1"].starts
    beat = figure(plant, "works", "heartbeat")
    plant.advance_to(START_US + 130 * MINUTE_US - 1)
    assert image.version == version
    assert plant.panels["works"].reachable()
    assert plant.truth.machines["collection_pump_1"].starts > starts
    plant.advance_to(START_US + 130 * MINUTE_US)
    assert figure(plant, "works", "heartbeat") - beat == 720


def test_mains_failure_stops_the_works_and_the_battery_gives_out() -> None:
    """Everything stops at once; the panel says so for 12 minutes on its battery, then goes dark;
    25 s after the mains is back it answers, and the pumps follow.
    """
    plant = plant_with("at 1h for 30m mains_failed works")
    works = plant.panels["works"]
    plant.advance_to(START_US + HOUR_US)
    assert not contact(plant, "works", "mains_present")
    assert all(
        machine.since_us is None
        for name, machine in plant.truth.machines.items()
        if not name.startswith(("meadow", "bowser"))
    )
    plant.advance_to(START_US + 72 * MINUTE_US - 1)
    assert works.reachable()
    plant.advance_to(START_US + 72 * MINUTE_US)
    assert not works.reachable()
    plant.advance_to(START_US + 90 * MINUTE_US + 24 * SECOND_US)
    assert not works.reachable()
    plant.advance_to(START_US + 90 * MINUTE_US + 25 * SECOND_US)
    assert works.reachable()
    assert contact(plant, "works", "mains_present")
    plant.advance_to(START_US + 92 * MINUTE_US)
    assert contact(plant, "works", "blower_1_run") or contact(plant, "works", "blower_2_run")


def test_mains_failure_at_the_lift_sump_darkens_its_panel_at_once() -> None:
    """It has no battery; a long failure makes the sump overflow, and the books still close."""
    plant = plant_with("at 1h for 4h mains_failed meadow")
    plant.advance_to(START_US + HOUR_US)
    assert not plant.panels["meadow"].reachable()
    plant.advance_to(START_US + 6 * HOUR_US)
    assert plant.panels["meadow"].reachable()
    well = plant.truth.wells["meadow_sump"]
    assert well.overflow_m3 > 0.0
    assert well.inflow_m3 - well.pumped_m3 - well.overflow_m3 == pytest.approx(
        plant.truth.stored_m3["meadow_sump"] - well.first_m3, abs=1e-9
    )


def test_link_faults_are_seen_by_readers_only() -> None:
    """Dead and silent links are not reachable, slow and garbled ones are; the version tells of each
    begin and end; the plant behind goes on as without them.
    """
    plant = plant_with(
        "at 1m for 1m link_dead meadow",
        "at 3m for 1m link_silent meadow",
        "at 5m for 1m replies_slow meadow seconds=1.5",
        "at 7m for 1m replies_garbled meadow",
    )
    meadow = plant.panels["meadow"]
    seen = []
    for minute in range(1, 9):
        plant.advance_to(START_US + minute * MINUTE_US - 1)
        version = meadow.version
        plant.advance_to(START_US + minute * MINUTE_US)
        assert meadow.version > version
        seen.append((meadow.reachable(), meadow.connected(), meadow.reply_delay_s, meadow.garbled))
    fine = (True, True, 0.0, False)
    assert seen == [
        (False, False, 0.0, False), fine, (False, True, 0.0, False), fine,
        (True, True, 1.5, False), fine, (True, True, 0.0, True), fine,
    ]  # fmt: skip
    sound = plant_with()
    for each in (plant, sound):
        each.advance_to(START_US + 3 * HOUR_US)
    assert sound.truth.stored_m3 == plant.truth.stored_m3


def test_an_empty_dosing_tank_shows_and_tells_on_the_water() -> None:
    """Tank-low contacts make; without hypochlorite the residual falls, without coagulant the
    turbidity rises; strokes go on, the chemical does not.
    """
    sound = plant_with()
    plant = plant_with(
        "at 0s for 6h dosing_tank_empty hypochlorite", "at 0s for 6h dosing_tank_empty coagulant"
    )
    for each in (plant, sound):
        each.advance_to(START_US + 6 * HOUR_US - 1)
    assert contact(plant, "works", "hypochlorite_tank_low")
    assert contact(plant, "works", "coagulant_tank_low")
    assert figure(plant, "works", "residual") < 0.3 * figure(sound, "works", "residual")
    assert figure(plant, "works", "turbidity") > 1.4 * figure(sound, "works", "turbidity")
    assert plant.truth.chemicals_l == {"coagulant": 0.0, "hypochlorite": 0.0}
    assert plant.truth.strokes["hypochlorite"] > 1000
    plant.advance_to(START_US + 6 * HOUR_US)
    assert not contact(plant, "works", "hypochlorite_tank_low")


def test_a_filter_cleaning_that_does_not_end() -> None:
    """The first cleaning goes on as long as the fault and ends within two minutes after it."""
    plant = plant_with("at 0s for 5h filter_cleaning_endless filter")
    plant.advance_to(START_US + 5 * HOUR_US)
    assert contact(plant, "works", "filter_cleaning")
    assert contact(plant, "works", "filter_vacuum")
    assert plant.truth.cleanings == 0
    assert plant.truth.machines["filter"].starts == 1
    plant.advance_to(START_US + 5 * HOUR_US + 2 * MINUTE_US)
    assert not contact(plant, "works", "filter_cleaning")
    assert plant.truth.cleanings == 1


def test_the_bowser_answers_only_while_docked_and_pumps_there() -> None:
    """It comes after 10:20 local time, is emptied into the works and leaves."""
    plant = plant_with()
    bowser = plant.panels["bowser"]
    assert not bowser.reachable()
    while not bowser.reachable():
        plant.advance_until_change(START_US + 9 * HOUR_US)
        assert plant.now_us < START_US + 9 * HOUR_US
    assert contact(plant, "bowser", "docked")
    assert contact(plant, "bowser", "low")
    while bowser.reachable():
        plant.advance_until_change(START_US + 9 * HOUR_US)
    assert not contact(plant, "bowser", "low")
    assert run_h(plant, "bowser_pump") > 0.0


def test_faults_are_on_record_with_begin_and_end() -> None:
    """The truth lists what was injected, by script and by call, with its instants."""
    plant = plant_with("at 1m for 30s tripped mixer")
    plant.inject("float_stuck", "collection.high", START_US + 90 * SECOND_US, None, "made")
    plant.advance_to(START_US + 5 * MINUTE_US)
    assert [(f.fault, f.target, f.begin_us, f.end_us) for f in plant.truth.faults] == [
        ("tripped", "mixer", START_US + MINUTE_US, START_US + 90 * SECOND_US),
        ("float_stuck", "collection.high", START_US + 90 * SECOND_US, None),
    ]
    assert contact(plant, "works", "collection_high")


SHAPE = "'at <time> for <time or ever> <fault> <target>'"
MOTORS = (
    "feed_pump_1, feed_pump_2, collection_pump_1, collection_pump_2, meadow_pump_1, "
    "meadow_pump_2, bowser_pump, blower_1, blower_2, mixer, filter, coagulant"
)
BAD_LINES = {
    "at 1h for 2h flot_stuck collection.low": (
        f"2:14: found fault 'flot_stuck', expected one of {', '.join(FAULTS)}; "
        "did you mean 'float_stuck'?"
    ),
    "at 1h for 2h tripped blowr_1": (
        f"2:22: found 'blowr_1' for tripped, expected one of {MOTORS}; did you mean 'blower_1'?"
    ),
    "at 1x for 2h tripped mixer": ("2:4: found '1x', expected a time such as 1d6h, 90s or 2.5h"),
    "at 1h for forever tripped mixer": (
        "2:11: found 'forever', expected a time such as 1d6h, 90s or 2.5h"
    ),
    "on 1h for 2h tripped mixer": f"2:1: found 'on', expected 'at' of {SHAPE}",
    "at 1h to 2h tripped mixer": f"2:7: found 'to', expected 'for' of {SHAPE}",
    "at 1h tripped blower_1": f"2:1: found 4 words, expected {SHAPE}",
    "at 1h for 2h pump_worn meadow_pump_1 too=0.5": (
        "2:38: found 'too=0.5', expected to=<figure> after pump_worn meadow_pump_1; "
        "did you mean 'to'?"
    ),
    "at 1h for 2h pump_worn meadow_pump_1 to=half": (
        "2:38: to: found 'half', expected a figure from 0 to 3600"
    ),
    "at 1h for 2h pump_worn meadow_pump_1 to=nan": (
        "2:38: to: found 'nan', expected a figure from 0 to 3600"
    ),
    "at 1h for 2h float_stuck collection.low shut": (
        "2:41: found 'shut', expected as_it_is or made or open after float_stuck collection.low"
    ),
    "at 1h for 2h tripped mixer hard": (
        "2:28: found 'hard', expected nothing more after tripped mixer"
    ),
    "at 1h for 0s tripped mixer": (
        "2:22: found an end not after the begin, expected a longer fault"
    ),
    "at 1h for 2h tripped mixer\nat 2h for 2h tripped mixer": (
        "3:22: found tripped on mixer while it is already there, expected the first to have ended"
    ),
}


@pytest.mark.parametrize("line", BAD_LINES)
def test_a_bad_script_is_refused_in_one_sentence(line: str) -> None:
    """File, line, column, what was found, what is expected, the nearest name."""
    with pytest.raises(BadScript) as refused:
        OsierBend(1, START_US, f"# a storm\n{line}", script_name="storm.txt")
    assert str(refused.value) == f"storm.txt:{BAD_LINES[line]}"


def test_a_fault_in_the_past_is_refused() -> None:
    """What has passed cannot be changed."""
    plant = plant_with()
    plant.advance_to(START_US + HOUR_US)
    with pytest.raises(BadScript, match="a begin that has passed"):
        plant.inject("tripped", "mixer", START_US)


def test_times_and_comments_of_a_script() -> None:
    """Times add up, comments and empty lines do not count."""
    assert duration_us("1d6h30m2.5s") == 109_802_500_000
    assert duration_us("6") is None
    lines = parse_script("\n# only this\nat 90s for ever link_dead works  # gone\n")
    assert [(line.at_us, line.until_us, line.fault.target) for line in lines] == [
        (90 * SECOND_US, None, "works")
    ]


def test_every_fault_can_be_put_in() -> None:
    """All kinds, overlapping, on one place of each kind: the plant goes on."""
    targets = {
        "float": "collection.start_1", "pump": "meadow_pump_1", "motor": "feed_pump_1",
        "well": "collection", "panel": "works", "mains": "works",
        "dosing_tank": "coagulant", "filter": "filter",
    }  # fmt: skip
    plant = plant_with(
        *(
            f"at {20 * k}m for 30m {name} {targets[kind.on]}"
            for k, (name, kind) in enumerate(FAULTS.items())
        )
    )
    plant.advance_to(START_US + 12 * HOUR_US)
    assert [fault.fault for fault in plant.truth.faults] == list(FAULTS)
    assert all(fault.end_us is not None for fault in plant.truth.faults)
    assert plant.panels["works"].reachable()


def test_the_hard_week_of_the_example_is_lived_through() -> None:
    """The example script is sound, all its faults come and go, and the books close over it."""
    script = Path(__file__).parents[2] / "config" / "osier-bend" / "hard-week.txt"
    plant = OsierBend(1, START_US, script.read_text(encoding="utf-8"))
    plant.advance_to(START_US + 7 * 24 * HOUR_US)
    truth = plant.truth
    assert len(truth.faults) == len(parse_script(script.read_text(encoding="utf-8"))) == 20
    assert [fault.fault for fault in truth.faults if fault.end_us is None] == ["pump_worn"]
    for name, well in truth.wells.items():
        balance_m3 = well.inflow_m3 + well.returned_m3 - well.pumped_m3 - well.overflow_m3
        assert balance_m3 == pytest.approx(truth.stored_m3[name] - well.first_m3, abs=1e-7), name
    assert truth.wells["meadow_sump"].returned_m3 > 10.0
