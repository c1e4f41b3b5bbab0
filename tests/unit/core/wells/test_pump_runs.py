"""How pumps run: at another speed than full, or in a way that nobody knows for a time."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise
from math import sin, sqrt

import pytest

from collector.core.hydraulics.curves import curve_through
from collector.core.hydraulics.mains import Main
from collector.core.records import Input, PointChanged, Quality
from collector.core.wells.pumping import CurvePumps
from collector.core.wells.well_flow import WellFlow
from tests.unit.core.wells.paper_wells import DAY_US, SECOND_US, START_US, Sump, a_well, tell

HOUR_US = 3600 * SECOND_US
LIFTS_TO_M = 6.0
FREE_MAIN = {"discharge_height_m": LIFTS_TO_M, "length_m": 0.01, "inner_diameter_mm": 500.0,
             "hazen_williams_c": 150.0}  # fmt: skip
SPEEDS = (1.0, 0.8, 0.9, 0.75)
"""Shares of full speed, three hours each."""


def flow_l_s(speed: float, level_m: float) -> float:
    """What a pump of one design point, 4 L/s at 9 m, lifts through a main that costs nothing.

    ``H = 4/3 Hd - 1/3 Hd (Q/Qd)^2`` at full speed; flow goes with the speed and head with its
    square, so ``H = 12 n^2 - 3 (Q/4)^2``. Source: EPANET 2.2 User Manual, chapter 3.1.
    """
    return 4.0 * sqrt(max(0.0, 12.0 * speed**2 - (LIFTS_TO_M - level_m)) / 3.0)


@pytest.mark.parametrize("speed", [0.7, 0.75, 0.8123, 0.9, 1.0, 1.1])
def test_flow_follows_the_speed_by_the_affinity_laws(speed: float) -> None:
    """Within 0.5 % at every level; a pump too slow for the lift gives nothing."""
    main = Main(LIFTS_TO_M, 0.01, 0.5, hazen_williams_c=150.0)
    pumps = CurvePumps([("pump", curve_through([(0.004, 9.0)]))], main, 0.05)
    for level_m in (0.42, 0.7, 1.23):
        found = pumps.flows([True], level_m, [1.0], (speed,)).m3_s[0]
        assert found == pytest.approx(1e-3 * flow_l_s(speed, level_m), rel=5e-3)
    assert pumps.flows([True], 0.7, [1.0], (0.6,)).m3_s == [0.0]


def speed_at(at_s: float) -> float:
    """The speed that is set."""
    return SPEEDS[int(at_s // 10_800) % len(SPEEDS)]


def diurnal(at_s: float) -> float:
    """L/s: 1.0 in the mean, between 0.5 and 1.5."""
    return 1.0 + 0.5 * sin(at_s / 13_750.0)


def with_speeds(changes: Sequence[Input], days: int) -> list[Input]:
    """The same, with the speed read as it is changed."""
    found = list(changes)
    for k in range(days * 8):
        at_us = START_US + k * 3 * HOUR_US
        found.append(
            PointChanged("p.speed_of_pump_1", speed_at(k * 10_800), Quality.GOOD, "",
                         max(START_US, at_us - SECOND_US), at_us)
        )  # fmt: skip
    return sorted(found, key=lambda news: news.by_us)


def slow_pump(days: int) -> tuple[Sump, list[Input], WellFlow]:
    """A pump whose speed changes every three hours, and its well."""
    sump = Sump(diurnal, [lambda at_s, m: flow_l_s(speed_at(at_s), m)], step_s=2)
    changes = with_speeds(sump.run(days), days)
    return sump, changes, slow_well()


def slow_well() -> WellFlow:
    """The well of ``slow_pump``, told nothing yet."""
    curves = {"pump_1": [(4.0, 9.0)]}
    return a_well(pumps=("pump_1",), curves=curves, with_speed=True, main=FREE_MAIN)


def test_a_pump_of_variable_speed_is_followed() -> None:
    """At 75 to 100 % of full speed: from the second day on each day's volumes are right within 1 %,
    and the pump is known to be as good as new within 2 %.
    """
    sump, changes, well = slow_pump(3)
    out_m3, in_m3 = [0.0], [0.0]
    for day in range(1, 4):
        begin_us, end_us = START_US + (day - 1) * DAY_US, START_US + day * DAY_US
        for news in changes:
            if begin_us <= news.by_us < end_us:
                tell(well, news)
        look = well.look(end_us)
        out_m3.append(look.pumped_total_m3.value)
        in_m3.append(look.inflow_total_m3.value)
    for day in (1, 2):
        true_out_m3, true_in_m3 = sum(sump.days_out_m3[day]), sump.days_in_m3[day]
        assert out_m3[day + 1] - out_m3[day] == pytest.approx(true_out_m3, rel=0.01)
        assert in_m3[day + 1] - in_m3[day] == pytest.approx(true_in_m3, rel=0.01)
    assert well.look(START_US + 3 * DAY_US).factors[0].value == pytest.approx(1.0, abs=0.02)


def unknown(point: str, changes: Sequence[Input], from_us: int, until_us: int) -> list[Input]:
    """The same, with a point that cannot be read for a time."""
    found = [
        news for news in changes
        if not (isinstance(news, PointChanged) and news.point == point
                and from_us < news.by_us <= until_us)
    ]  # fmt: skip
    shown = [
        news for news in changes
        if isinstance(news, PointChanged) and news.point == point and news.by_us <= until_us
    ]  # fmt: skip
    found.append(PointChanged(point, None, Quality.BAD, "exception 02", from_us, from_us))
    found.append(
        PointChanged(point, shown[-1].value, Quality.GOOD, "", until_us - SECOND_US, until_us)
    )
    return sorted(found, key=lambda news: news.by_us)


def test_an_unknown_speed_is_unknown_time_with_bounds() -> None:
    """The speed cannot be read for six hours of the second day: while the pump runs in them its
    volume is not known, the truth lies inside the bounds, and an inflow is told all the time.
    """
    sump, changes, well = slow_pump(3)
    from_us = START_US + DAY_US + 4 * HOUR_US
    until_us = from_us + 6 * HOUR_US
    ran = {True: 0, False: 0}
    moves = [
        (min(max(news.by_us, from_us), until_us), bool(news.value))
        for news in changes
        if isinstance(news, PointChanged) and news.point == "p.pump_1"
    ]
    ran_us = sum(end - begin for (begin, runs), (end, _) in pairwise(moves) if runs)
    for news in unknown("p.speed_of_pump_1", changes, from_us, until_us):
        tell(well, news)
        if from_us < news.by_us < until_us:
            look = well.look(news.by_us)
            assert look.known
            ran[look.doubtful] += 1
            if isinstance(news, PointChanged) and news.point == "p.pump_1":
                assert look.doubtful is news.value
    assert min(ran.values()) > 10
    assert not well.look(START_US + 3 * DAY_US).doubtful
    readings = well.readings(START_US + 3 * DAY_US)
    pumped = readings["pump_1.volume_pumped"]
    assert pumped.unknown_us == pytest.approx(ran_us, rel=0.01)
    assert pumped.low <= sum(day[0] for day in sump.days_out_m3) <= pumped.high
    came = readings["sump.volume_in"]
    assert came.low <= sum(sump.days_in_m3) <= came.high


def test_one_unknown_run_contact_leaves_the_rest_known() -> None:
    """The run contact of pump 2 cannot be read for six hours of the third day, while the pumps take
    turns. The inflow stays known, with the truth inside three standard errors at each instant and
    wider than before; the volume of pump 1 has no unknown time and is right within 2 %; that of
    pump 2 is unknown for six hours, inside its bounds, and by the floats within a tenth.
    """
    sump = Sump(diurnal, [lambda _s, _m: 4.0, lambda _s, _m: 5.0], step_s=2)
    changes, well = sump.run(4), a_well()
    from_us = START_US + 2 * DAY_US + 4 * HOUR_US
    errors: dict[bool, list[float]] = {True: [], False: []}
    for news in unknown("p.pump_2", changes, from_us, from_us + 6 * HOUR_US):
        tell(well, news)
        look = well.look(news.by_us)
        if news.by_us > START_US + DAY_US:
            assert look.known
            errors[look.doubtful].append(look.mean_inflow_m3_s.error)
            inflow = look.mean_inflow_m3_s
            true = 1e-3 * diurnal((news.by_us - START_US) / SECOND_US)
            if look.doubtful:
                assert abs(inflow.value - true) < 3.0 * inflow.error
    assert min(errors[True]) > max(errors[False][:50])
    readings = well.readings(START_US + 4 * DAY_US)
    one, two = readings["pump_1.volume_pumped"], readings["pump_2.volume_pumped"]
    true_one, true_two = (sum(day[k] for day in sump.days_out_m3) for k in (0, 1))
    assert one.unknown_us == 0
    assert one.value == pytest.approx(true_one, rel=0.02)
    assert two.unknown_us == pytest.approx(6 * HOUR_US, abs=5 * SECOND_US)
    assert two.low <= true_two <= two.high
    assert two.value == pytest.approx(true_two, rel=0.1)


def test_a_restart_while_a_speed_is_unknown_changes_nothing() -> None:
    """State kept as JSON text and taken back inside the unknown time: the same figures."""
    _, changes, whole = slow_pump(2)
    parts = slow_well()
    from_us = START_US + 4 * HOUR_US
    story = unknown("p.speed_of_pump_1", changes, from_us, from_us + 6 * HOUR_US)
    for news in story:
        tell(whole, news)
        if from_us < news.by_us < from_us + 6 * HOUR_US:
            saved = json.dumps(parts.save(), allow_nan=False)
            parts = slow_well()
            parts.restore(json.loads(saved))
        tell(parts, news)
    at_us = START_US + 2 * DAY_US
    assert parts.readings(at_us) == whole.readings(at_us)
