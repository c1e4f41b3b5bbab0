"""From scans to records: order, repetition, resuming, and what the records carry."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.pipeline import INPUT_KINDS, Pipeline, input_of
from collector.core.records import (
    COLLECTOR_STOPPED,
    JOURNAL_FULL,
    ClockStepped,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Record,
    RecordKind,
)
from collector.core.scans import BlockAnswer, PanelScan
from collector.links.planning import plan_panel
from collector.plant.model import Plant
from tests.unit.core.scans_for_tests import HOLDING, INPUT, Image, a_plant, us
from tests.unit.core.worlds import START_US, watch, worlds

POINTS: dict[str, dict[str, Any]] = {
    "run": {"table": "discrete-input", "address": 3},
    "fault": {"table": "discrete-input", "address": 4},
    "low": {"table": "discrete-input", "address": 9},
    "high": {"table": "holding-register", "address": 0, "bit": 0},
    "level": {"table": "holding-register", "address": 1, "unit": "mm"},
}
EQUIPMENT: dict[str, dict[str, Any]] = {
    "sump": {"kind": "well", "floats": {"low": {"point": "p.low", "makes_at_m": 0.3},
                                        "high": {"point": "p.high", "makes_at_m": 1.4}}},
    "pump": {"kind": "pump", "well": "sump", "run": "p.run", "fault": "p.fault"},
}  # fmt: skip


class Desk:
    """One pipeline, its panel's image, and scans of it."""

    def __init__(
        self, plant: Plant | None = None, start_s: float = 0.0, offset_us: int = 0
    ) -> None:
        self.plant = a_plant({"p": {"points": POINTS}}, EQUIPMENT) if plant is None else plant
        self.plans = {name: plan_panel(panel) for name, panel in self.plant.panels.items()}
        self.image = Image()
        self.pipeline = Pipeline(self.plant, self.plans, us(start_s), offset_us)

    def scan(self, at_s: float, fail: str = "", panel: str = "p") -> list[Record]:
        """A scan whose blocks are all asked at ``at_s`` and answer 10 ms later."""
        sent_us, received_us = us(at_s), us(at_s) + 10_000
        answers = [
            BlockAnswer(None if fail else self.image.payload(read), fail, sent_us, received_us)
            for read in self.plans[panel]
        ]
        return self.pipeline.take_scan(PanelScan(panel, sent_us, answers))


def subjects(records: list[Record], *kinds: RecordKind) -> list[str]:
    return [record.subject for record in records if record.kind in kinds]


def test_a_quiet_scan_leaves_nothing() -> None:
    """No record, however many there are."""
    desk = Desk()
    desk.scan(0)
    assert [record for at_s in range(1, 200) for record in desk.scan(at_s)] == []


def test_what_was_seen_comes_before_what_follows_from_it() -> None:
    """The contact, then the start it means; the return of the panel last."""
    desk = Desk()
    first = desk.scan(0)
    assert first[0].kind is RecordKind.POINT
    kinds = [record.kind for record in first]
    assert kinds.count(RecordKind.PANEL_RETURNED) == 1
    assert RecordKind.POINT not in kinds[kinds.index(RecordKind.PANEL_RETURNED) :]
    desk.image.put(INPUT, 3, 1)
    records = desk.scan(1)
    assert [(record.kind, record.subject) for record in records[:2]] == [
        (RecordKind.POINT, "p.run"),
        (RecordKind.EVENT, "pump.started"),
    ]
    assert (records[1].after_us, records[1].at_us) == (us(0), us(1.01))


def test_records_are_dated_by_the_wall_clock_and_ordered_by_plant_time() -> None:
    """A step of the wall clock moves the stamps from there on, and nothing else."""
    desk = Desk(offset_us=us(1_000))
    desk.scan(0)
    desk.image.put(INPUT, 3, 1)
    before = desk.scan(1)
    (step, *_) = desk.pipeline.step_clock(us(2), us(3600), us(4600))
    desk.image.put(INPUT, 3, 0)
    after = desk.scan(3)
    assert {record.utc_us - record.at_us for record in before} == {us(1_000)}
    assert {record.utc_us - record.at_us for record in [step, *after]} == {us(4_600)}
    assert (step.kind, step.value, step.low) == (RecordKind.CLOCK, us(4600), float(us(3600)))
    times = [record.at_us for record in [*before, step, *after]]
    assert all(earlier <= later for earlier, later in pairwise(times))


@given(
    point=st.sampled_from(["p.run", "p.level"]),
    value=st.one_of(st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False)),
    quality=st.sampled_from(list(Quality)),
    reason=st.text(max_size=20),
    times=st.tuples(st.integers(0, 2**60), st.integers(0, 2**60)).map(sorted),
)
def test_every_input_can_be_taken_back_from_its_record(
    point: str, value: Any, quality: Quality, reason: str, times: list[int]
) -> None:
    """What is journaled is all a replay needs."""
    pipeline = Desk().pipeline
    after_us, by_us = times
    for news in (
        PointChanged(point, value, quality, reason, after_us, by_us),
        PanelLost("p", reason, after_us, by_us),
        PanelReturned("p", by_us),
        ClockStepped(by_us, -5, after_us),
        ClockStepped(by_us, 5, after_us, length_known=False),
    ):
        record = pipeline._input_record(news)
        assert record.kind in INPUT_KINDS
        assert input_of(record) == news


def test_a_record_of_a_conclusion_is_no_input() -> None:
    """It would be drawn a second time."""
    (*_, record) = Desk().scan(0)
    assert record.kind is RecordKind.DERIVED
    with pytest.raises(ValueError, match="derived"):
        input_of(record)


def test_a_plant_none_of_whose_panels_answers_still_has_a_deadline() -> None:
    """That of its reports."""
    desk = Desk()
    for at_s in range(5):
        desk.scan(at_s, fail="no reply")
    assert desk.pipeline.known_until_us() == {}
    assert desk.pipeline.next_deadline_us() == desk.pipeline.engine.next_deadline_us()


@settings(max_examples=20, deadline=None)
@given(st.permutations(sorted(POINTS)), st.permutations(sorted(EQUIPMENT)),
       st.lists(st.tuples(st.integers(0, 4), st.integers(0, 1)), max_size=25))  # fmt: skip
def test_the_order_of_a_plant_file_means_nothing(
    points: list[str], equipment: list[str], moves: list[tuple[int, int]]
) -> None:
    """Points and equipment written in another order: the same records of each scan."""
    shuffled = a_plant(
        {"p": {"points": {name: POINTS[name] for name in points}}},
        {name: EQUIPMENT[name] for name in equipment},
    )
    desks = Desk(), Desk(shuffled)
    for at_s, (place, figure) in enumerate(moves):
        told = []
        for desk in desks:
            point = sorted(POINTS)[place]
            function = INPUT if POINTS[point]["table"] == "discrete-input" else HOLDING
            desk.image.put(function, POINTS[point]["address"], figure)
            told.append(sorted(desk.scan(at_s), key=repr))
        assert told[0] == told[1]


def test_panels_do_not_touch_each_other() -> None:
    """One is lost; what is known of the other stays known."""
    two = {"p": {"points": POINTS}, "q": {"points": {"run": {"table": "coil", "address": 0}}}}
    desk = Desk(a_plant(two, {**EQUIPMENT, "mixer": {"kind": "mixer", "run": "q.run"}}))
    desk.scan(0)
    desk.scan(0, panel="q")
    lost = [record for at_s in range(1, 9) for record in desk.scan(at_s, "no reply")]
    assert subjects(lost, RecordKind.PANEL_LOST) == ["p"]
    assert not [name for name in subjects(lost, *RecordKind) if name.startswith(("q", "mixer"))]
    for at_s in range(1, 9):
        assert desk.scan(at_s, panel="q") == []
    assert desk.pipeline.known_until_us() == {"q": us(8)}


# --- after a stop -------------------------------------------------------------------------------


def resumed(before: Desk, since: list[Record], stopped_s: float, now_s: float,
            plant: Plant | None = None) -> tuple[Desk, list[Record]]:  # fmt: skip
    """A new process that continues from the old one's state as it was before ``since``."""
    after = Desk(plant or before.plant, now_s)
    after.image = before.image
    records, unusable = after.pipeline.resume(
        before.pipeline.save(), since, before.pipeline.known_until_us(), us(stopped_s), us(now_s)
    )
    assert unusable == []
    return after, records


def test_a_restart_is_a_gap_and_nothing_else() -> None:
    """Seen off up to 0.01 s, on in (0.01, 1.01], put at 0.51; known up to the read at 9 s; found
    running at 101.01 s: 8.49 s within 0.5 s, and 92.01 + 0.01 s unknown."""
    desk = Desk()
    desk.scan(0)
    desk.image.put(INPUT, 3, 1)
    for at_s in range(1, 10):
        desk.scan(at_s)
    desk, records = resumed(desk, [], 9.5, 100)
    assert [(r.kind, r.subject, r.reason) for r in records[:1]] == [
        (RecordKind.PANEL_LOST, "p", COLLECTOR_STOPPED)
    ]
    records = desk.scan(101)
    assert subjects(records, RecordKind.POINT) == []
    hours = [record for record in records if record.subject == "pump.run_hours"][-1]
    assert hours.value == pytest.approx(8.49)
    assert hours.low == pytest.approx(7.99)
    assert hours.high == pytest.approx(8.49 + 0.5 + 92.02)


def test_inputs_after_the_state_on_record_are_taken_again() -> None:
    """A start journaled after the state was kept is not lost, nor counted twice."""
    desk = Desk()
    desk.scan(0)
    saved = Desk()
    saved.scan(0)
    desk.image.put(INPUT, 3, 1)
    since = [record for record in desk.scan(1) if record.kind in INPUT_KINDS]
    after, _ = resumed(saved, since, 1.5, 100)
    after.image = desk.image
    starts = [record for record in after.scan(101) if record.subject == "pump.starts"]
    assert starts[-1].value == 1.0
    assert starts[-1].high is None, "others may hide in the stop"


def test_a_panel_that_was_silent_when_we_stopped_is_not_blamed_for_the_stop() -> None:
    """Silent from 0 s, we stop at 10 s and start at 1000 s, it answers at 1001: silent for 10 s."""
    desk = Desk()
    desk.scan(0)
    for at_s in range(1, 10):
        desk.scan(at_s, fail="no reply")
    after, _ = resumed(desk, [], 10.0, 1000)
    after.scan(1001)
    link = after.pipeline.engine.components["p"].save()
    assert link["silent_us"] == us(10.0)


def test_a_panel_never_read_before_the_stop_stays_unread() -> None:
    """Nothing of it is known, and its silence ends with the stop."""
    desk = Desk()
    for at_s in range(10):
        desk.scan(at_s, fail="no connection")
    after, records = resumed(desk, [], 10.0, 1000)
    assert subjects(records, RecordKind.PANEL_LOST) == ["p"]
    told = after.scan(1001)
    assert len(subjects(told, RecordKind.POINT)) == len(POINTS)
    assert after.pipeline.engine.components["p"].save()["silent_us"] == us(10.0)


def test_a_machine_added_to_the_file_hears_of_a_contact_that_stands_still() -> None:
    """It has run for weeks; the machine that reads it is new."""
    bare = a_plant({"p": {"points": POINTS}}, {"sump": EQUIPMENT["sump"]})
    desk = Desk(bare)
    desk.image.put(INPUT, 3, 1)
    desk.scan(0)
    desk, _ = resumed(desk, [], 9.5, 100, a_plant({"p": {"points": POINTS}}, EQUIPMENT))
    records = desk.scan(101)
    assert subjects(records, RecordKind.POINT) == ["p.run", "p.fault"]
    states = [record.value for record in records if record.subject == "pump.state"]
    assert states == ["running"]


def test_a_panel_added_to_the_file_is_not_said_to_have_been_lost() -> None:
    """It was never watched."""
    desk = Desk()
    desk.scan(0)
    two = {"p": {"points": POINTS}, "q": {"points": {"run": {"table": "coil", "address": 0}}}}
    desk, records = resumed(desk, [], 9.5, 100, a_plant(two, EQUIPMENT))
    assert subjects(records, RecordKind.PANEL_LOST) == ["p"]
    assert "q.link_returned" not in subjects(desk.scan(101, panel="q"), RecordKind.EVENT)


def test_stopping_to_know_ends_with_the_next_scan() -> None:
    """All panels that answered are lost for our reason, once, and are back with what they show."""
    desk = Desk()
    desk.scan(0)
    lost = desk.pipeline.lose_all(JOURNAL_FULL, us(5))
    assert subjects(lost, RecordKind.PANEL_LOST) == ["p"]
    assert desk.pipeline.lose_all(JOURNAL_FULL, us(6)) == []
    assert subjects(desk.scan(50), RecordKind.PANEL_RETURNED) == ["p"]


@settings(max_examples=40, deadline=None)
@given(worlds())
def test_restarts_and_reports_never_change_what_a_link_adds_up_to(world: Any) -> None:
    """Answered and silent time are together the time watched: all of it but the stops (each up to
    some seconds longer, for what was not committed)."""
    watched = watch(world)
    link = watched.pipeline.engine.components["p"].save()
    answered_us, silent_us, counted_us = link["answered_us"], link["silent_us"], link["counted_us"]
    assert isinstance(answered_us, int)
    assert isinstance(silent_us, int)
    assert isinstance(counted_us, int)
    assert answered_us >= 0
    assert silent_us >= 0
    stopped_us = sum(death.down_scans for death in world.deaths) * us(1)
    assert answered_us + silent_us <= counted_us - START_US
    assert answered_us + silent_us >= counted_us - START_US - stopped_us - us(10) * (
        len(world.deaths) + 1
    )
