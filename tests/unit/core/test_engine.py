"""The engine as a whole: the same inputs give the same outputs, however cut and asked for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.engine import Engine
from collector.core.pipeline import INPUT_KINDS, input_of
from collector.core.quantities import EVENTS, QUANTITIES
from collector.core.records import (
    COLLECTOR_STOPPED,
    AlarmMoved,
    Derived,
    Event,
    HeadWanted,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Tick,
)
from tests.unit.core.alarms.on_paper import WORLD_RULES
from tests.unit.core.scans_for_tests import a_plant, us
from tests.unit.core.worlds import NONE, REPORT_US, START_US, World, the_plant, watch, worlds


def fresh() -> Engine:
    return Engine(the_plant(), START_US, REPORT_US, rules=WORLD_RULES)


def inputs_of(world: World) -> list[Input]:
    """What a pipeline told its engine of a world, without the ticks."""
    return [input_of(record) for record in watch(world).records if record.kind in INPUT_KINDS]


def ticked(
    inputs: Sequence[Input], engine: Engine, told: list[Output] | None = None
) -> list[Input]:
    """The same inputs with a tick at every deadline that comes before the next of them."""
    found: list[Input] = []
    told = [] if told is None else told
    for news in inputs:
        while engine.next_deadline_us() < news.by_us:
            found.append(Tick(engine.next_deadline_us()))
            told += engine.step(found[-1])
        found.append(news)
        told += engine.step(news)
    return found


def outputs(engine: Engine, inputs: Iterable[Input]) -> list[Output]:
    return [output for news in inputs for output in engine.step(news)]


LIVING = worlds(dying=NONE)


@settings(max_examples=25, deadline=None)
@given(LIVING, st.lists(st.floats(0, 1), max_size=6))
def test_saving_and_restoring_anywhere_changes_nothing(world: World, cuts: list[float]) -> None:
    """An engine carried through JSON text, at any inputs, says exactly what one left alone says."""
    inputs = ticked(inputs_of(world), fresh())
    whole = fresh()
    expected = outputs(whole, inputs)
    at = {int(cut * len(inputs)) for cut in cuts}
    engine, found = fresh(), []
    for place, news in enumerate(inputs):
        if place in at:
            saved = engine.save()
            engine = fresh()
            assert engine.restore(saved) == []
            assert engine.save() == saved
        found += engine.step(news)
    assert found == expected
    assert engine.save() == whole.save()


@settings(max_examples=25, deadline=None)
@given(LIVING, st.floats(0, 1))
def test_a_replay_arrives_where_the_live_engine_was(world: World, cut: float) -> None:
    """From any older state, from the inputs after it without the ticks, and what alarms told."""
    bare = inputs_of(world)
    live = fresh()
    place = int(cut * len(bare))
    ticked(bare[:place], live)
    saved = live.save()
    told: list[Output] = []
    ticked(bare[place:], live, told)
    replayed = fresh()
    replayed.restore(saved)
    replayed.replay(bare[place:], bare[-1].by_us if bare else START_US, START_US)
    replayed.follow(each for each in told if isinstance(each, AlarmMoved | HeadWanted))
    assert replayed.save() == live.save()


@settings(max_examples=15, deadline=None)
@given(LIVING)
def test_no_more_ticks_are_needed_than_it_asks_for(world: World) -> None:
    """A tick every 100 ms brings nothing that those at its deadlines do not bring."""
    inputs = ticked(inputs_of(world), fresh())
    expected = outputs(fresh(), inputs)
    eager, found = fresh(), list[Output]()
    at_us = START_US
    for news in inputs:
        while at_us < news.by_us:
            if at_us < eager.next_deadline_us():
                found += eager.step(Tick(at_us))
            at_us += 100_000
        found += eager.step(news)
    assert found == expected


@settings(max_examples=10, deadline=None)
@given(worlds())
def test_the_same_world_gives_the_same_records(world: World) -> None:
    """Nothing depends on anything but the inputs."""
    first, second = watch(world), watch(world)
    assert first.records == second.records
    assert first.pipeline.save() == second.pipeline.save()


@settings(max_examples=25, deadline=None)
@given(worlds())
def test_everything_told_is_in_the_tables(world: World) -> None:
    """A quantity or event that no table lists would have no unit and no meaning to anyone."""
    engine = fresh()
    for output in outputs(engine, ticked(inputs_of(world), fresh())):
        if isinstance(output, Derived):
            assert output.subject.partition(".")[2] in QUANTITIES
        elif isinstance(output, Event):
            assert output.subject.partition(".")[2] in EVENTS


def test_what_is_not_in_the_plant_file_is_passed_over() -> None:
    """Records of a panel or point taken out of the file meanwhile come back in a replay."""
    engine = fresh()
    old: list[Input] = [
        PointChanged("gone.run", True, Quality.GOOD, "", START_US, START_US + 1),
        PointChanged("p.gone", 7.0, Quality.GOOD, "", START_US, START_US + 2),
        PanelReturned("gone", START_US + 3),
        PanelLost("gone", "no reply", START_US + 4, START_US + 5),
        PointChanged("gone.run", False, Quality.GOOD, "", START_US + 4, START_US + us(90_000)),
    ]
    for news in old:
        assert all(not output.subject.startswith("gone") for output in engine.step(news)), news


def test_a_replay_does_not_tick_while_nobody_was_there() -> None:
    """A stop of ours among the inputs: nothing was told in it, so nothing counts as told."""
    before: list[Input] = [
        PointChanged("p.run", False, Quality.GOOD, "", START_US, START_US),
        PointChanged("p.run", True, Quality.GOOD, "", START_US + us(1), START_US + us(1)),
    ]
    stopped = PanelLost("p", COLLECTOR_STOPPED, START_US + us(2), START_US + us(9_000))
    live, replayed = fresh(), fresh()
    saved = live.save()
    for news in (*before, stopped):
        live.step(news)
    replayed.restore(saved)
    replayed.replay([*before, stopped], START_US + us(2), START_US + us(2))
    assert replayed.save() == live.save()


def test_points_of_a_panel_that_is_gone_are_forgotten() -> None:
    """A plant whose panels are renamed again and again keeps a bounded state."""
    engine = fresh()
    engine.step(PointChanged("p.run", True, Quality.GOOD, "", START_US, START_US))
    engine.step(PointChanged("old.run", True, Quality.GOOD, "", START_US, START_US))
    other = fresh()
    other.restore(engine.save())
    assert set(other.points) == {"p.run"}


RUNS = {
    "points": {"run": {"table": "coil", "address": 0}, "other": {"table": "coil", "address": 1}}
}


def test_equipment_that_is_new_is_told_of_points_that_stand_still() -> None:
    """The point is known since long; the machine that reads it is not. What the engine forgets is
    told again at the first scan."""
    before = Engine(a_plant({"p": RUNS}), START_US)
    for name in ("p.run", "p.other"):
        before.step(PointChanged(name, True, Quality.GOOD, "", START_US, START_US))
    mixer = {"mixer": {"kind": "mixer", "run": "p.run"}}
    after = Engine(a_plant({"p": RUNS}, mixer), START_US)
    assert after.restore(before.save()) == []
    assert set(after.points) == {"p.other"}


def test_a_machine_whose_contact_moved_to_another_point_keeps_its_hours() -> None:
    """Run time goes on; the new contact is told at the first scan."""
    before = Engine(a_plant({"p": RUNS}, {"mixer": {"kind": "mixer", "run": "p.run"}}), START_US)
    for name in ("p.run", "p.other"):
        before.step(PointChanged(name, True, Quality.GOOD, "", START_US, START_US))
    before.step(PanelLost("p", COLLECTOR_STOPPED, START_US + us(10), START_US + us(20)))
    after = Engine(a_plant({"p": RUNS}, {"mixer": {"kind": "mixer", "run": "p.other"}}), START_US)
    assert after.restore(before.save()) == []
    assert set(after.points) == {"p.run"}
    found = after.step(
        PointChanged("p.other", False, Quality.GOOD, "", START_US + us(30), START_US + us(30))
    )
    hours = [
        item for item in found if isinstance(item, Derived) and item.subject == "mixer.run_hours"
    ]
    assert (hours[-1].low, hours[-1].high) == (10.0, 30.0)


def test_equipment_of_another_kind_under_an_old_name_starts_afresh() -> None:
    """Its state cannot be used, and the log is told of whom."""
    before = Engine(a_plant({"p": RUNS}, {"x": {"kind": "mixer", "run": "p.run"}}), START_US)
    well = {"kind": "well", "floats": {"high": {"point": "p.run", "makes_at_m": 1.0}}}
    after = Engine(a_plant({"p": RUNS}, {"x": well}), START_US)
    assert after.restore(before.save()) == ["x"]
