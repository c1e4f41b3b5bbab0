"""All components of the shipped plant together: troubles, replay in pieces, memory, names."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest

from collector.core.component import Counting
from collector.core.engine import Engine
from collector.core.pipeline import INPUT_KINDS, Pipeline, input_of
from collector.core.quantities import EVENTS, QUANTITIES
from collector.core.records import Derived, Event, Input, Output, Record, Tick
from collector.links.planning import plan_panel
from collector.plant.load import load_plant
from collector.virtual import run_virtually
from simulator.plant import OsierBend

PLANT = load_plant(Path(__file__).parents[4] / "config" / "osier-bend" / "plant.yaml")
START_US = 1_782_864_000_000_000  # 2026-07-01T00:00Z
HOUR_US = 3_600_000_000
TICK_US = 900_000_000
HOURS = 34
TROUBLES = (
    ("link_silent", "works", 7, 8),
    ("tripped", "blower_1", 14, 15),
    ("filter_cleaning_endless", "filter", 16, 21),
    ("left_in_hand", "blower_2", 22, 23),
)


@cache
def inputs() -> list[Input]:
    """Simulated hours as inputs with their ticks, troubles among them."""
    plans = {name: plan_panel(panel) for name, panel in PLANT.panels.items()}
    plant = OsierBend(21, START_US)
    for fault, target, begin_h, end_h in TROUBLES:
        plant.inject(fault, target, START_US + begin_h * HOUR_US, START_US + end_h * HOUR_US)
    records: list[Record] = []
    pipeline = Pipeline(PLANT, plans, START_US)
    run_virtually(pipeline, plans, plant, START_US, START_US + HOURS * HOUR_US, records.extend)
    found: list[Input] = []
    tick_us = START_US + TICK_US
    for record in records:
        if record.kind not in INPUT_KINDS:
            continue
        news = input_of(record)
        while tick_us < news.by_us:
            found.append(Tick(tick_us))
            tick_us += TICK_US
        found.append(news)
    return found


@cache
def told() -> list[Output]:
    """What one engine says of them in one piece."""
    engine = Engine(PLANT, START_US)
    return [output for news in inputs() for output in engine.step(news)]


def words(subject: str) -> list[str]:
    """The values of a state, one after the other."""
    return [
        str(output.value)
        for output in told()
        if isinstance(output, Derived) and output.subject == subject
    ]


@pytest.mark.parametrize("piece", [1, 37, 2000])
def test_replay_in_pieces_is_replay_in_one(piece: int) -> None:
    """Saved as JSON and taken back after every piece, the engine says the same to the letter."""
    news = inputs()[:600] if piece == 1 else inputs()
    expected_engine = Engine(PLANT, START_US)
    expected = [output for each in news for output in expected_engine.step(each)]
    engine = Engine(PLANT, START_US)
    found: list[Output] = []
    for begin in range(0, len(news), piece):
        fresh = Engine(PLANT, START_US)
        assert fresh.restore(engine.save()) == []
        engine = fresh
        for each in news[begin : begin + piece]:
            found += engine.step(each)
    assert found == expected
    assert engine.save() == expected_engine.save()


def test_every_quantity_and_event_is_in_the_tables() -> None:
    """Whatever is told stands in the tables of quantities and events; states are words."""
    for output in told():
        name = output.subject.partition(".")[2]
        if isinstance(output, Derived):
            assert name in QUANTITIES, output.subject
            assert QUANTITIES[name].text == isinstance(output.value, str), output
        elif isinstance(output, Event):
            assert name in EVENTS, output.subject


def test_no_bound_lies_on_the_wrong_side() -> None:
    """Lower bound, value and upper bound of every figure are in this order."""
    for output in told():
        if isinstance(output, Derived) and isinstance(output.value, float):
            slack = 1e-9 * max(1.0, abs(output.value))
            assert output.low is None or output.low <= output.value + slack, output
            assert output.high is None or output.value <= output.high + slack, output


def test_counts_only_grow_and_hold_their_bounds() -> None:
    """What periods are made of grows, but for the scan by which a loss is noticed late; its value
    lies within its bounds."""
    engine = Engine(PLANT, START_US)
    parts = [
        part
        for part in engine.components.values()
        if type(part).__module__.startswith("collector.core.process") and isinstance(part, Counting)
    ]
    before: dict[str, float] = {}
    next_us = START_US + HOUR_US
    for news in inputs():
        engine.step(news)
        if news.by_us < next_us:
            continue
        next_us += HOUR_US
        for part in parts:
            for subject, reading in part.readings(news.by_us).items():
                assert reading.low <= reading.value <= reading.high, subject
                assert reading.value >= 0.99 * before.get(subject, 0.0), subject
                before[subject] = reading.value
    assert len(before) >= 8


def test_a_tripped_blower_takes_the_standby_away() -> None:
    """The standby is available, not while a blower is tripped, and again afterwards."""
    standby = words("blowers.standby")
    assert "not available" in standby
    assert standby[-1] == "available"


def test_an_endless_cleaning_is_said_and_unsaid() -> None:
    """The cleaning that the simulated trouble keeps from ending is said not to end, then ends."""
    states = words("filter.cleaning_state")
    assert "cleaning does not end" in states
    assert states[-1] != "cleaning does not end"


def test_a_lost_panel_is_unknown_and_not_zero() -> None:
    """While the works' panel is silent its states are unknown; no count goes down."""
    assert "unknown" in words("blowers.air_supply")
    assert "unknown" in words("filter.cleaning_state")


def test_the_saved_state_stays_small() -> None:
    """The state of this package is below 100 kB after more than a day, and bounded by rings."""
    engine = Engine(PLANT, START_US)
    for news in inputs():
        engine.step(news)
    size = sum(
        len(json.dumps(part.save()))
        for part in engine.components.values()
        if type(part).__module__.startswith("collector.core.process")
    )
    assert size < 100_000
