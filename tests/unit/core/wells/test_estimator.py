"""The estimator on paper sumps whose truth is a mass balance of a few lines."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.records import Input, PanelLost, PanelReturned, PointChanged, Quality
from collector.core.wells.balance import IN, V
from collector.core.wells.look import Look
from collector.core.wells.well_flow import WellFlow
from tests.unit.core.wells.paper_wells import (
    DAY_US,
    FLOATS,
    SECOND_US,
    START_US,
    Sump,
    Watched,
    a_well,
    tell,
)

DAYS = 4
END_US = START_US + DAYS * DAY_US


def diurnal(at_s: float) -> float:
    """L/s: 1.0 in the mean, 0.4 at night, 1.6 by day."""
    return 1.0 - 0.6 * math.cos(2.0 * math.pi * at_s / 86_400.0)


@cache
def usual() -> tuple[Sump, list[Input]]:
    """Two unequal pumps taking turns."""
    sump = Sump(diurnal, [lambda _s, _m: 4.0, lambda _s, _m: 5.0], step_s=2)
    return sump, sump.run(DAYS)


def told(changes: Sequence[Input], well: WellFlow | None = None) -> WellFlow:
    """A well that has been told all of it."""
    well = a_well() if well is None else well
    for news in changes:
        tell(well, news)
    return well


def daily(well: WellFlow, changes: Sequence[Input], days: int) -> list[Look]:
    """What is said at the end of each day."""
    looks: list[Look] = []
    for news in changes:
        while news.by_us > START_US + (len(looks) + 1) * DAY_US:
            looks.append(well.look(START_US + (len(looks) + 1) * DAY_US))
        tell(well, news)
    while len(looks) < days:
        looks.append(well.look(START_US + (len(looks) + 1) * DAY_US))
    return looks


def all_of(look: Look) -> list[float]:
    """Every figure of a look that scales with the volume."""
    figures = [look.volume_m3, look.inflow_m3_s, look.mean_inflow_m3_s, *look.flows_m3_s,
               *look.pumped_m3, look.pumped_total_m3, look.inflow_total_m3]  # fmt: skip
    return [part for figure in figures for part in (figure.value, figure.error)]


# --- what it finds ------------------------------------------------------------------------------


def test_flows_and_inflow_are_found_from_nothing() -> None:
    """Knowing neither curves nor inflow, from the second day on each day's inflow is right within
    1 %, and each pump's flow within 1 % and two standard errors.
    """
    sump, changes = usual()
    looks = daily(a_well(), changes, DAYS)
    for day in range(1, DAYS):
        came = looks[day].inflow_total_m3.value - looks[day - 1].inflow_total_m3.value
        assert came == pytest.approx(sump.days_in_m3[day], rel=0.01)
    for figure, true in zip(looks[-1].flows_m3_s, (4e-3, 5e-3), strict=True):
        assert figure.value == pytest.approx(true, rel=0.01)
        assert abs(figure.value - true) < 2.0 * figure.error


def test_the_water_is_accounted_for_at_every_instant() -> None:
    """What came in less what was pumped is the change of the volume: passing time moves the balance
    by less than a millilitre, and hindsight moves it only by what it teaches of the volume at the
    start, which is less than a litre from the second day on.
    """
    well = a_well()
    estimator = well.estimator

    def balance() -> float:
        x = estimator.state.x
        return x[V] + sum(x[estimator.first_pumped :]) - x[IN]

    later = []
    for news in usual()[1]:
        if estimator.known:
            before = balance()
            estimator.advance(news.by_us - 3 * SECOND_US)
            assert balance() == pytest.approx(before, abs=1e-9)
        tell(well, news)
        if news.by_us > START_US + DAY_US:
            later.append(balance())
    assert max(later) - min(later) < 1e-3


def test_a_pump_that_loses_flow_is_told_from_the_other() -> None:
    """15 % less of pump 2 from the third day on: two days later its flow is estimated at least 10 %
    lower than before, and that of pump 1 within 2 % of what it was.
    """
    sump = Sump(
        diurnal,
        [lambda _s, _m: 4.0, lambda at_s, _m: 5.0 if at_s < 2 * 86_400 else 4.25],
        step_s=2,
    )
    looks = daily(a_well(), sump.run(4), 4)
    before, after = looks[1].flows_m3_s, looks[3].flows_m3_s
    assert after[1].value < 0.90 * before[1].value
    assert after[0].value == pytest.approx(before[0].value, rel=0.02)


def test_a_blocked_pump_is_found_out_within_hours() -> None:
    """Pump 2 gives a fifth from the third day on: a day later it is estimated below half."""
    sump = Sump(
        diurnal,
        [lambda _s, _m: 4.0, lambda at_s, _m: 5.0 if at_s < 2 * 86_400 else 1.0],
        step_s=2,
    )
    looks = daily(a_well(), sump.run(3), 3)
    assert looks[2].flows_m3_s[1].value < 0.5 * looks[1].flows_m3_s[1].value


def test_without_floats_the_curve_alone_tells_the_volume() -> None:
    """No float is known: after two hours of pumping, the volume is that of the curve within the
    stated error, which is some ten per cent. Flow by the curve: H = 9 m at 4 L/s lifts 9 m minus
    the level (about 0.6 m) at close to 4 L/s through a main that costs nothing.
    """
    well = a_well(
        {"start_1": (1.0, 0.9)}, ("pump_1",), area_m2=2.0,
        curves={"pump_1": [(0.0, 12.0), (4.0, 9.0), (6.0, 6.0)]},
        main={"discharge_height_m": 9.6, "length_m": 1.0, "inner_diameter_mm": 500.0,
              "hazen_williams_c": 150.0},
    )  # fmt: skip
    bad = PointChanged("p.start_1", None, Quality.BAD, "exception 02", START_US, START_US)
    tell(well, bad)
    tell(well, PointChanged("p.pump_1", False, Quality.GOOD, "", START_US, START_US))
    tell(well, PanelReturned("p", START_US))
    tell(well, PointChanged("p.pump_1", True, Quality.GOOD, "", START_US, START_US + SECOND_US))
    look = well.look(START_US + 7200 * SECOND_US)
    volume = look.pumped_total_m3
    assert abs(volume.value - 28.8) < 2.0 * volume.error
    assert 0.05 < volume.error / volume.value < 0.2


# --- floats that lie ----------------------------------------------------------------------------


def without(changes: Sequence[Input], point: str, from_us: int, until_us: int) -> list[Input]:
    """The same, with a float that does not move for a time."""
    return [
        news
        for news in changes
        if not (isinstance(news, PointChanged) and news.point == point
                and from_us < news.by_us < until_us)
    ]  # fmt: skip


@pytest.mark.parametrize("point", ["p.low", "p.start_1"])
def test_a_stuck_float_does_not_spoil_the_estimate_for_long(point: str) -> None:
    """A float stands still for twelve hours of the second day: the third and fourth day's inflow is
    right within 3 % again, and so are the flows at the end.
    """
    sump, changes = usual()
    stuck = without(changes, point, START_US + DAY_US, START_US + DAY_US * 3 // 2)
    looks = daily(a_well(), stuck, DAYS)
    for day in (2, 3):
        came = looks[day].inflow_total_m3.value - looks[day - 1].inflow_total_m3.value
        assert came == pytest.approx(sump.days_in_m3[day], rel=0.03)
    assert [f.value for f in looks[-1].flows_m3_s] == pytest.approx([4e-3, 5e-3], rel=0.03)


def test_chatter_is_not_taken_for_waves_of_water() -> None:
    """A float bounces at each of its moves for half a minute: each day's inflow stays right within
    3 %, because no pump and no inflow could move the water so fast.
    """
    sump, changes = usual()
    bouncing: list[Input] = []
    for news in changes:
        bouncing.append(news)
        if isinstance(news, PointChanged) and news.point == "p.start_1":
            for k in range(1, 10):
                after_us = news.by_us + (k - 1) * 3 * SECOND_US
                bouncing.append(
                    replace(news, value=bool(news.value) is (k % 2 == 0), after_us=after_us,
                            by_us=after_us + 3 * SECOND_US)
                )  # fmt: skip
            settled_us = news.by_us + 27 * SECOND_US
            bouncing[-1] = replace(news, after_us=settled_us - 3 * SECOND_US, by_us=settled_us)
    bouncing.sort(key=lambda news: news.by_us)
    well = a_well()
    looks = daily(well, bouncing, DAYS)
    for day in range(1, DAYS):
        came = looks[day].inflow_total_m3.value - looks[day - 1].inflow_total_m3.value
        assert came == pytest.approx(sump.days_in_m3[day], rel=0.03)


def test_a_well_that_must_have_run_over_says_so() -> None:
    """3 L/s into 2 m2 without a pump: from 0.5 m the edge at 1.9 m is reached after 933 s, so after
    an hour some 8 m3 have gone over it, and the well holds what it can.
    """
    watched = Watched(FLOATS)
    level_m = 0.3
    for at_s in range(0, 930, 2):
        watched.sample(START_US + at_s * SECOND_US, level_m, {"pump_1": False, "pump_2": False})
        level_m += 3e-3
    look = told(watched.changes, a_well(overflow_m=1.9)).look(START_US + 3600 * SECOND_US)
    assert look.level_m.value <= 1.9 + 1e-9
    assert look.overflow_m3 == pytest.approx(10.8 - 3.2, rel=0.25)


# --- gaps ---------------------------------------------------------------------------------------


def with_gap(changes: Sequence[Input], from_us: int, until_us: int) -> list[Input]:
    """The same, with the panel lost for a time and what had changed meanwhile found afterwards."""
    found: list[Input] = [news for news in changes if news.by_us <= from_us]
    found.append(PanelLost("p", "no reply", from_us, from_us + 3 * SECOND_US))
    now: dict[str, PointChanged] = {}
    before: dict[str, Any] = {}
    for news in changes:
        if isinstance(news, PointChanged):
            if news.by_us <= from_us:
                before[news.point] = news.value
            elif news.by_us <= until_us:
                now[news.point] = replace(news, after_us=from_us, by_us=until_us)
    found += [news for point, news in now.items() if before.get(point) != news.value]
    found.append(PanelReturned("p", until_us))
    found += [news for news in changes if news.by_us > until_us]
    return found


@settings(max_examples=25, deadline=None)
@given(st.integers(60, DAYS * 86_400 - 20_000), st.integers(60, 18_000))
def test_a_gap_only_widens_what_is_said(from_s: int, length_s: int) -> None:
    """Whatever the gap, its length is told as unknown, the bounds of every volume reach as high as
    before or higher, and the true volumes lie inside.
    """
    sump, changes = usual()
    from_us = START_US + from_s * SECOND_US
    whole = told(changes).readings(END_US)
    gap = told(with_gap(changes, from_us, from_us + length_s * SECOND_US)).readings(END_US)
    true = {
        "pump_1.volume_pumped": sum(day[0] for day in sump.days_out_m3),
        "pump_2.volume_pumped": sum(day[1] for day in sump.days_out_m3),
        "sump.volume_pumped": sum(sum(day) for day in sump.days_out_m3),
    }
    for quantity, volume_m3 in true.items():
        assert gap[quantity].unknown_us == length_s * SECOND_US
        assert gap[quantity].high >= 0.995 * whole[quantity].high
        assert gap[quantity].low <= volume_m3 <= gap[quantity].high


# --- properties ---------------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(st.floats(0.01, 100.0))
def test_scaling_volumes_scales_flows(factor: float) -> None:
    """The same contacts over a plan area k times as large mean k times the flows and volumes, with
    k times the errors; wear and level are what they were.
    """
    changes = usual()[1][:2000]
    at_us = changes[-1].by_us + 600 * SECOND_US
    small, large = (
        told(changes, a_well(area_m2=area_m2)).look(at_us) for area_m2 in (2.0, 2.0 * factor)
    )
    assert all_of(large) == pytest.approx([factor * part for part in all_of(small)], rel=1e-6)
    assert large.level_m.value == pytest.approx(small.level_m.value, rel=1e-9)


def test_the_order_of_the_plant_file_changes_nothing() -> None:
    """Points and equipment written in the opposite order: the same figures to the last bit."""
    changes = usual()[1]
    assert all_of(told(changes).look(END_US)) == all_of(
        told(changes, a_well(reverse=True)).look(END_US)
    )


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 1400), max_size=6))
def test_pieces_with_restarts_between_give_what_one_piece_gives(cuts: list[int]) -> None:
    """State saved as JSON text at any instants and taken back by a new component: the same figures
    to the last bit as without.
    """
    changes = usual()[1]
    well = a_well()
    for k, news in enumerate(changes):
        if k in cuts:
            saved = json.dumps(well.save(), allow_nan=False)
            well = a_well()
            well.restore(json.loads(saved))
        tell(well, news)
    assert all_of(well.look(END_US)) == all_of(told(changes).look(END_US))


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, DAYS * 86_400), max_size=12))
def test_totals_add_up_over_any_split_of_time(splits_s: list[int]) -> None:
    """Asking at any instants between changes nothing, so the parts add up to the whole; and volumes
    never fall by more than a correction: a fifth of the working volume.
    """
    changes = usual()[1]
    well = a_well()
    instants = sorted(START_US + at_s * SECOND_US for at_s in splits_s)
    volumes = [0.0]
    for news in changes:
        while instants and instants[0] <= news.by_us:
            volumes.append(well.look(instants.pop(0)).inflow_total_m3.value)
        tell(well, news)
    volumes.append(well.look(END_US).inflow_total_m3.value)
    parts = [end - begin for begin, end in pairwise(volumes)]
    assert volumes[-1] == told(changes).look(END_US).inflow_total_m3.value
    assert sum(parts) == pytest.approx(volumes[-1])
    assert min(parts) > -0.2 * 1.2


def test_a_state_of_another_form_is_refused() -> None:
    """A state that lacks something, or is of other pumps, raises and does not half restore."""
    saved = told(usual()[1][:100]).save()
    with pytest.raises(ValueError, match="pumps"):
        a_well(pumps=("pump_1",)).restore(saved)
    del saved["estimator"]
    with pytest.raises(ValueError, match="lacks"):
        a_well().restore(saved)
