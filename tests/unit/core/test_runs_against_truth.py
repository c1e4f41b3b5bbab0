"""Whatever happens between the contact and the records, what is told of it holds.

Checked against the truth of random worlds (``worlds.py``), computed there by adding up intervals.
"""

from __future__ import annotations

from dataclasses import replace

from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.core.records import Quality
from collector.core.runs import RunMeter
from tests.unit.core.worlds import (
    LENGTH_SCANS,
    NONE,
    SECOND_US,
    START_US,
    Interval,
    Watched,
    World,
    intervals,
    watch,
    worlds,
)

ROUNDING_US = 2
# What moves after the panel has looked at its contacts, and before its reply is in, belongs to the
# next read.
LONGEST_SCAN_US = 300_000


def meter_of(watched: Watched) -> RunMeter:
    meter = watched.pipeline.engine.components["pump"]
    assert isinstance(meter, RunMeter)
    return meter


def check_run_hours(world: World, watched: Watched) -> None:
    told_us = 0.0
    for record in watched.of("run_hours"):
        assert isinstance(record.value, float)
        assert record.low is not None
        assert record.high is not None
        truth_us = world.on_time_us(record.at_us)
        low_us, high_us = record.low * 1e6 - ROUNDING_US, record.high * 1e6 + ROUNDING_US
        assert low_us <= truth_us <= high_us, f"{record} but in truth {truth_us / 1e6} s"
        assert record.low <= record.value <= record.high
        assert record.value * 1e6 >= told_us - ROUNDING_US, f"{record} after {told_us / 1e6} s"
        told_us = record.value * 1e6


def check_starts(world: World, watched: Watched) -> None:
    for record in watched.of("starts"):
        least, most = (
            world.moves_of(True, watched.first_known_us, at_us)
            for at_us in (record.at_us - LONGEST_SCAN_US, record.at_us)
        )
        assert record.low is not None
        assert record.low <= most, f"{record} but in truth {most}"
        assert record.high is None or least <= record.high, f"{record} but in truth {least}"
        assert (record.high is None) == (record.quality is Quality.UNCERTAIN)


def check_current_runs(world: World, watched: Watched) -> None:
    for record in watched.of("current_run"):
        if record.low is None or not world.on_at(record.at_us):
            continue  # it has ended, seen or not yet seen
        truth_us = world.run_us(record.at_us)
        if record.high is not None:
            assert truth_us <= record.high * 1e6 + ROUNDING_US, record
        assert record.low * 1e6 - ROUNDING_US <= truth_us, record


def check_events(world: World, watched: Watched) -> None:
    for record in watched.of("started", "stopped"):
        on = record.subject == "pump.started"
        moves = world.moves_of(on, record.after_us, record.at_us)
        assert moves >= 1, f"{record}: nothing of the kind happened then"
        if record.quality is Quality.GOOD and not on:
            assert isinstance(record.value, float)
            assert record.value > 0


def check(world: World, watched: Watched) -> None:
    check_run_hours(world, watched)
    check_starts(world, watched)
    check_current_runs(world, watched)
    check_events(world, watched)


@settings(max_examples=250, deadline=None)
@given(worlds())
def test_the_truth_lies_within_what_is_told(world: World) -> None:
    """At every record, through silences, faults of a block, deaths and resumptions: run time and
    starts lie within their bounds, what is told of run time never goes back, and each start and
    stop has happened within its bracket."""
    check(world, watch(world))


@settings(max_examples=60, deadline=None)
@given(
    worlds(
        least_dwell_ms=20_000,
        debounce=st.sampled_from(
            [(("debounce_scans", 3),), (("debounce_s", 2.5),), (("debounce_scans", 2),)]
        ),
        silences=intervals(4, 2),
    )
)
def test_the_truth_lies_within_what_is_told_of_a_debounced_contact(world: World) -> None:
    """A debounce tells later, not less: the same holds, if the contact holds for longer than the
    debounce and the scans that fail in it."""
    check(world, watch(world))


@settings(max_examples=60, deadline=None)
@given(worlds(silences=NONE, block_faults=NONE, dying=NONE))
def test_a_world_without_gaps_is_known_to_its_brackets(world: World) -> None:
    """Unknown is only the time before the first read; each move seen costs at most half of a scan
    period, two jitters and a round trip (1.5 s); starts are exact."""
    watched = watch(world)
    meter = meter_of(watched)
    end_us = START_US + LENGTH_SCANS * SECOND_US
    moves = sum(1 for move_us in world.moves_us if move_us <= end_us)
    assert meter.unknown_us <= SECOND_US
    assert meter.gaps == 0
    assert meter.bracket_us <= moves * 750_000
    last_us = watched.samples_us[-1]
    assert meter.starts == world.moves_of(True, watched.first_known_us, last_us)
    known_us, truth_us = meter.known_on_until(last_us), world.on_time_us(last_us)
    assert -meter.bracket_us <= truth_us - known_us <= meter.bracket_us + meter.unknown_us


@settings(max_examples=60, deadline=None)
@given(
    worlds(silences=NONE, block_faults=NONE, dying=NONE),
    st.lists(st.integers(12, 30), min_size=1, max_size=3),
    st.integers(1, 30),
)
def test_a_frozen_panel_costs_knowledge_and_no_truth(
    world: World, lengths: list[int], apart: int
) -> None:
    """Figures that stood still for a while are taken back when it is noticed: once the panel lives
    again, the truth lies within the bounds."""
    freezes, first = [], 0
    for length in lengths:
        first += apart
        freezes.append(Interval(first, length))
        first += length
    frozen = replace(world, freezes=tuple(freezes))
    watched = watch(frozen, first + 20)
    told = [
        record
        for record in watched.of("run_hours")
        if not any(
            START_US + f.first * SECOND_US <= record.at_us < START_US + (f.first + 10) * SECOND_US
            for f in freezes
        )
    ]
    for record in told:
        assert record.low is not None
        assert record.high is not None
        truth_us = world.on_time_us(record.at_us)
        assert record.low * 1e6 - ROUNDING_US <= truth_us <= record.high * 1e6 + ROUNDING_US
    assert meter_of(watched).gaps >= len(freezes)


@settings(max_examples=80, deadline=None)
@given(worlds(), st.integers(2, LENGTH_SCANS - 60), st.integers(1, 40))
@example(
    # A block that fails, then a silence that alone would be too short to lose anything.
    World(
        seed=0,
        on_at_start=False,
        dwells_ms=(),
        silences=(),
        block_faults=(Interval(6, 4),),
        deaths=(),
        debounce=(),
        freezes=(),
    ),
    8,
    2,
)
def test_a_gap_more_only_widens(world: World, first: int, count: int) -> None:
    """The same world with one silence more: the interval is as wide or wider, and still true."""
    scans = LENGTH_SCANS + 10
    quiet_end = world.with_silence(Interval(first, count))
    ending = [replace_end(w) for w in (world, quiet_end)]
    less, more = (watch(w, scans) for w in ending)
    check(ending[1], more)
    assert width_us(more) >= width_us(less) - ROUNDING_US * len(world.dwells_ms)


def replace_end(world: World) -> World:
    """The same world, whose last ten scans are all read, so that both ends are comparable."""
    return World(
        world.seed,
        world.on_at_start,
        world.dwells_ms,
        tuple(Interval(s.first, min(s.count, LENGTH_SCANS - s.first)) for s in world.silences),
        tuple(Interval(s.first, min(s.count, LENGTH_SCANS - s.first)) for s in world.block_faults),
        tuple(d for d in world.deaths if d.scan + d.down_scans < LENGTH_SCANS),
    )


def width_us(watched: Watched) -> int:
    meter = meter_of(watched)
    end_us = START_US + (LENGTH_SCANS + 10) * SECOND_US
    return 2 * meter.bracket_us + meter.unknown_until(end_us)
