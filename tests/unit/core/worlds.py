"""Small worlds of known truth: one pump, its contact, a link that fails, a collector that dies.

The truth is a list of instants at which the contact moves. Everything between it and the records is
the project's own: scans with jitter go through a pipeline that is ticked late, killed with part of
its records uncommitted, and resumed from an older state. Each scan's jitter and round trips depend
only on the seed and the scan's number, so that two worlds that differ in one gap differ in nothing
else.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from random import Random
from typing import Any

from hypothesis import strategies as st

from collector.core.desks import NO_RULES, Rules
from collector.core.pipeline import REPLAYED_KINDS, Pipeline
from collector.core.records import Record, RecordKind
from collector.core.scans import BlockAnswer, PanelScan, Read
from collector.links.planning import plan_panel
from collector.plant.model import Plant
from tests.unit.core.scans_for_tests import HOLDING, INPUT, Image, a_plant

SECOND_US = 1_000_000
SCAN_US = SECOND_US
REPORT_US = 7 * SECOND_US
START_US = 1_000_000 * SECOND_US
LENGTH_SCANS = 150
# The longest time between two reads that both count is the silence (3 s) and a scan: what lasts
# longer than this is seen.
LEAST_DWELL_MS = 4_500


@dataclass(frozen=True)
class Interval:
    """Scans from ``first`` on, ``count`` of them, in which something fails."""

    first: int
    count: int

    def __contains__(self, scan: object) -> bool:
        return isinstance(scan, int) and self.first <= scan < self.first + self.count


@dataclass(frozen=True)
class Death:
    """The collector dies after ``scan``; its last commit was ``uncommitted`` scans before."""

    scan: int
    uncommitted: int
    state_age: int  # scans between the state on record and the last commit
    down_scans: int


@dataclass(frozen=True)
class World:
    """What happens."""

    seed: int
    on_at_start: bool
    dwells_ms: tuple[int, ...]
    silences: tuple[Interval, ...] = ()  # the panel does not answer
    block_faults: tuple[Interval, ...] = ()  # the block with the contact does not
    deaths: tuple[Death, ...] = ()
    debounce: tuple[tuple[str, float], ...] = ()
    freezes: tuple[Interval, ...] = ()  # the panel answers, and its figures stand still

    @property
    def moves_us(self) -> list[int]:
        """When the contact moves."""
        at_us, moves = START_US, []
        for dwell_ms in self.dwells_ms:
            at_us += dwell_ms * 1_000
            moves.append(at_us)
        return moves

    def on_at(self, at_us: int) -> bool:
        """Whether it is on at an instant."""
        moved = sum(1 for move_us in self.moves_us if move_us <= at_us)
        return self.on_at_start ^ bool(moved % 2)

    def on_time_us(self, until_us: int) -> int:
        """For how long it was on between the start and an instant."""
        marks = [START_US, *(us for us in self.moves_us if us < until_us), until_us]
        return sum(
            end_us - begin_us
            for place, (begin_us, end_us) in enumerate(pairwise(marks))
            if self.on_at_start ^ bool(place % 2)
        )

    def moves_of(self, on: bool, after_us: int, by_us: int) -> int:
        """How often it moved to ``on`` in (after, by]."""
        return sum(
            1
            for place, move_us in enumerate(self.moves_us)
            if after_us < move_us <= by_us and (self.on_at_start ^ bool((place + 1) % 2)) == on
        )

    def run_us(self, at_us: int) -> int:
        """For how long it has been on without a pause, at an instant at which it is on."""
        return at_us - max((us for us in self.moves_us if us <= at_us), default=START_US)

    def with_silence(self, silence: Interval) -> World:
        """The same, and one silence more."""
        return replace(self, silences=(*self.silences, silence))


@dataclass
class Watched:
    """What the collector made of a world."""

    pipeline: Pipeline
    records: list[Record] = field(default_factory=list)  # committed ones
    samples_us: list[int] = field(default_factory=list)  # when the panel looked at the contact

    @property
    def first_known_us(self) -> int:
        """When the panel looked for the first time, of what is on record."""
        told_us = next(
            record.at_us
            for record in self.records
            if record.kind is RecordKind.POINT
            and record.subject == "p.run"
            and record.value is not None
        )
        return max(sample_us for sample_us in self.samples_us if sample_us <= told_us)

    def of(self, *names: str) -> Iterable[Record]:
        """Records of quantities or events of the pump."""
        return [record for record in self.records if record.subject in {f"pump.{n}" for n in names}]


PLANT_EQUIPMENT: dict[str, dict[str, Any]] = {
    "sump": {"kind": "well", "plan_area_m2": 1.0,
             "floats": {"high": {"point": "p.high", "makes_at_m": 1.0}}},
    "pump": {"kind": "pump", "well": "sump", "run": "p.run"},
}  # fmt: skip


def the_plant(debounce: tuple[tuple[str, float], ...] = (), *, beating: bool = False) -> Plant:
    """The plant of all worlds: one pump and one float, in two blocks of one panel.

    A panel that may freeze has a heartbeat that moves every 2 s, and may stand still for 5 s.
    """
    run = {"table": "discrete-input", "address": 3, **dict(debounce)}
    high = {"table": "holding-register", "address": 0, "bit": 0}
    panel: dict[str, Any] = {"points": {"run": run, "high": high}}
    if beating:
        panel["points"]["beat"] = {"table": "holding-register", "address": 1}
        panel["frozen"] = {"heartbeat": "beat", "after_s": 5.0}
    return a_plant({"p": panel}, PLANT_EQUIPMENT)


def watch(world: World, scans: int = LENGTH_SCANS, rules: Rules = NO_RULES) -> Watched:
    """Let a collector watch a world, through all its deaths."""
    plant = the_plant(world.debounce, beating=bool(world.freezes))
    plans = {"p": plan_panel(plant.panels["p"])}
    pipeline = Pipeline(plant, plans, START_US, 0, REPORT_US, rules)
    watched = Watched(pipeline)
    deaths = {death.scan: death for death in world.deaths}
    lives: list[_Moment] = []
    number = 0
    while number < scans:
        scan = _scan(world, number, plans["p"], watched)
        now_us = scan.answers[-1].received_us
        records = pipeline.take_scan(scan)
        if now_us >= pipeline.next_deadline_us():
            records += pipeline.tick(now_us + 1_000)
        lives.append(_Moment(now_us, records, pipeline.save(), pipeline.known_until_us()))
        number += 1
        death = deaths.get(number - 1)
        if death is None:
            continue
        committed = max(0, len(lives) - 1 - death.uncommitted)
        kept = max(0, committed - death.state_age)
        for moment in lives[: committed + 1]:
            watched.records += moment.records
        since = [record for moment in lives[kept + 1 : committed + 1] for record in moment.records]
        number += death.down_scans
        now_us = START_US + number * SCAN_US - SECOND_US // 10
        last = lives[committed]
        watched.pipeline = pipeline = Pipeline(plant, plans, now_us, 0, REPORT_US, rules)
        resumed, unusable = pipeline.resume(
            lives[kept].state,
            [record for record in since if record.kind in REPLAYED_KINDS],
            last.known_until_us,
            last.at_us,
            now_us,
        )
        assert unusable == []
        lives = [_Moment(now_us, resumed, pipeline.save(), pipeline.known_until_us())]
    for moment in lives:
        watched.records += moment.records
    return watched


@dataclass
class _Moment:
    at_us: int
    records: list[Record]
    state: str
    known_until_us: dict[str, int]


def _scan(world: World, number: int, plan: Iterable[Read], watched: Watched) -> PanelScan:
    random = Random(world.seed * 1_000_003 + number)
    at_us = START_US + number * SCAN_US + random.randrange(200_000)
    sent_us = at_us
    answers = []
    silent = any(number in silence for silence in world.silences)
    for read in plan:
        received_us = sent_us + random.randrange(5_000, 150_000)
        sampled_us = random.randrange(sent_us, received_us + 1)
        fault = read.function == INPUT and any(number in fault for fault in world.block_faults)
        if silent or fault:
            reason = "no reply" if silent else "exception 04"
            answers.append(BlockAnswer(None, reason, sent_us, received_us))
        else:
            shown_us = next(
                (START_US + f.first * SCAN_US for f in world.freezes if number in f), sampled_us
            )
            image = Image()
            image.put(INPUT, 3, int(world.on_at(shown_us)))
            image.put(HOLDING, 0, 0, (shown_us - START_US) // (2 * SECOND_US))
            answers.append(BlockAnswer(image.payload(read), "", sent_us, received_us))
            if read.function == INPUT:
                watched.samples_us.append(sampled_us)
        sent_us = received_us
    return PanelScan("p", at_us, answers)


def intervals(most: int, longest: int) -> st.SearchStrategy[tuple[Interval, ...]]:
    """Some intervals of scans."""
    one = st.builds(Interval, st.integers(0, LENGTH_SCANS - 1), st.integers(1, longest))
    return st.lists(one, max_size=most).map(tuple)


def deaths(most: int) -> st.SearchStrategy[tuple[Death, ...]]:
    """Some deaths of the collector."""
    one = st.builds(
        Death,
        scan=st.integers(0, LENGTH_SCANS - 1),
        uncommitted=st.integers(0, 4),
        state_age=st.integers(0, 40),
        down_scans=st.integers(0, 25),
    )
    return st.lists(one, max_size=most).map(tuple)


SILENCES, BLOCK_FAULTS, DEATHS = intervals(4, 25), intervals(2, 15), deaths(3)
NONE: st.SearchStrategy[tuple[Any, ...]] = st.just(())


def worlds(
    least_dwell_ms: int = LEAST_DWELL_MS,
    silences: st.SearchStrategy[tuple[Interval, ...]] = SILENCES,
    block_faults: st.SearchStrategy[tuple[Interval, ...]] = BLOCK_FAULTS,
    dying: st.SearchStrategy[tuple[Death, ...]] = DEATHS,
    debounce: st.SearchStrategy[tuple[tuple[str, float], ...]] = NONE,
) -> st.SearchStrategy[World]:
    """Worlds in which the contact stays long enough to be seen."""
    dwell = st.integers(least_dwell_ms, least_dwell_ms + 20_000)
    return st.builds(
        World,
        seed=st.integers(0, 10_000),
        on_at_start=st.booleans(),
        dwells_ms=st.lists(dwell, max_size=30).map(tuple),
        silences=silences,
        block_faults=block_faults,
        deaths=dying,
        debounce=debounce,
    )
