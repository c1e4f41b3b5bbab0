"""The morning digest: once a plant day, whatever clocks and restarts do.

Source of days and transitions: IANA time zone database (Europe/Dublin springs forward on 2026-03-29
at 01:00 UTC and falls back on 2026-10-25 at 01:00 UTC); the check of instants is the independent
``dateutil`` reading of it.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, datetime

import pytest
from dateutil import tz

from collector.core.notices.daily import digest_day, digest_instant_us
from collector.core.notices.routes import MINUTE_US, Hours
from collector.core.records import Record, RecordKind
from tests.simulation.whole.growth import reached_by
from tests.unit.core.notices.world import (
    DAY_US,
    HOUR_US,
    ROUTES,
    SECOND_US,
    WARDEN,
    ZONE,
    World,
    local_times,
    utc,
)


def digests(world: World) -> list[str]:
    """The days whose digest arrived, in order."""
    return [one.notice.day for one in world.arrived if one.notice.kind == "digest"]


def test_the_digest_comes_at_its_time_on_every_day_and_once() -> None:
    """Over ten days with a restart each hour."""
    world = World(ROUTES, utc("2026-03-02T12:00:00"))
    world.turn()
    for _ in range(240):
        world.pass_us(HOUR_US)
        world.crash()
    assert digests(world) == [f"2026-03-{day:02}" for day in range(2, 13)]
    assert local_times(world.arrived)[1:3] == ["2026-03-03 07:00", "2026-03-04 07:00"]


@pytest.mark.parametrize("begin", ["2026-03-27T12:00:00", "2026-10-23T12:00:00"])
@pytest.mark.parametrize("minute", [0, 60, 90, 120, 150, 7 * 60])
def test_days_of_23_and_25_hours_have_one_digest_as_well(begin: str, minute: int) -> None:
    """Even at a time of day that the transition leaves out, or has twice."""
    world = World(replace(ROUTES, digest_minute=minute), utc(begin))
    world.turn()
    world.pass_us(5 * DAY_US)
    first = date.fromisoformat(begin[:10]).toordinal()
    days = [date.fromordinal(first + place).isoformat() for place in range(6)]
    assert digests(world) == days


def test_instants_of_digests_agree_with_an_independent_reading() -> None:
    """Each day of two years at five times, against dateutil."""
    zone = tz.gettz("Europe/Dublin")
    for ordinal in range(date(2025, 1, 1).toordinal(), date(2027, 1, 1).toordinal()):
        day = date.fromordinal(ordinal)
        for minute in (0, 90, 150, 420, 1439):
            at = datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone)
            expected_us = int(tz.resolve_imaginary(at).timestamp()) * SECOND_US
            assert digest_instant_us(day, minute, ZONE) == expected_us
            assert digest_day(expected_us, minute, ZONE) == day
            assert digest_day(expected_us - 1, minute, ZONE) < day


@pytest.mark.parametrize("step_us", [2 * HOUR_US, -2 * HOUR_US, 26 * HOUR_US, -26 * HOUR_US])
def test_a_clock_stepped_over_the_digest_makes_neither_two_nor_none(step_us: int) -> None:
    """Stepped at six, then put right an hour later: each day that came has one digest."""
    world = World(ROUTES, utc("2026-03-02T06:00:00"))
    world.turn()
    world.pass_us(10 * MINUTE_US)
    world.step_clock(step_us)
    world.pass_us(HOUR_US)
    world.step_clock(-step_us)
    world.pass_us(3 * DAY_US)
    found = digests(world)
    assert len(found) == len(set(found))
    assert {"2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05"} <= set(found)


def test_a_missed_digest_comes_late_and_older_ones_are_in_it() -> None:
    """Away from Monday noon to Thursday ten: one digest, of Thursday; what is due is in it."""
    world = World(ROUTES, utc("2026-03-02T12:00:00"))
    world.turn()
    world.away = lambda to: True
    world.pass_us(DAY_US)
    world.service("pump_1.grease", "due", "2026-01-05")
    world.pass_us(DAY_US + 22 * HOUR_US)
    world.away = lambda to: False
    world.pass_us(10 * MINUTE_US)
    assert digests(world) == ["2026-03-02", "2026-03-05"]
    assert local_times(world.arrived)[-1][:13] == "2026-03-05 10"
    assert "pump_1.grease: due since 2026-01-05; 500 of 500 h" in world.arrived[-1].text.body


def test_no_digest_on_days_off_and_the_next_one_tells_of_them() -> None:
    """Who works from Monday to Friday gets five a week."""
    working = replace(WARDEN, hours=(Hours(frozenset(range(5)), 480, 1020),))
    world = World(replace(ROUTES, people={**ROUTES.people, "warden": working}),
                  utc("2026-03-02T08:00:00"))  # fmt: skip
    world.pass_us(14 * DAY_US)
    days = [date.fromisoformat(day).weekday() for day in digests(world)]
    assert days == [0, 1, 2, 3, 4] * 2 + [0]


def test_service_alone_is_told_once_for_each_task_that_falls_due() -> None:
    """In the morning, not at midnight when it fell due; again only when it is overdue, or due
    another time."""
    routes = replace(
        ROUTES, people={**ROUTES.people, "warden": replace(WARDEN, digest=False, service=True)}
    )
    world = World(routes, utc("2026-03-02T12:00:00"))
    world.pass_us(11 * HOUR_US + 59 * MINUTE_US)
    world.pass_us(MINUTE_US)
    world.service("pump_1.grease", "due", "2026-01-05")
    world.pass_us(3 * DAY_US)
    world.service("pump_1.grease", "overdue", "2026-01-05")
    world.pass_us(2 * DAY_US)
    world.service("pump_1.grease", "not due", "2026-03-07")
    world.pass_us(2 * DAY_US)
    world.service("pump_1.grease", "due", "2026-03-07")
    world.pass_us(2 * DAY_US)
    assert [about["pump_1.grease"] for _, about in world.told()] == [
        "due since 2026-01-05", "overdue since 2026-01-05", "due since 2026-03-07",
    ]  # fmt: skip
    assert local_times(world.arrived)[0] == "2026-03-03 07:00"


def test_an_alarm_goes_before_a_digest_that_waits() -> None:
    """Both arrive when the far side is back, the alarm first."""
    world = World(ROUTES, utc("2026-03-02T06:00:00"))
    world.turn()
    world.away = lambda to: True
    world.pass_us(2 * HOUR_US)
    world.raises("sump.high")
    world.pass_us(HOUR_US)
    world.away = lambda to: False
    world.pass_us(10 * MINUTE_US)
    kinds = [one.notice.kind for one in world.arrived if one.notice.to == "warden.mail"]
    assert kinds == ["digest", "alarm", "digest"]


def test_a_year_of_digests_takes_no_more_room_than_a_quarter() -> None:
    """What was told of a day, and of a task that stays overdue, is not kept for ever; each day
    still has its digest once."""
    world = World(ROUTES, utc("2026-03-02T12:00:00"))
    body = json.dumps({"state": "overdue", "since": "2026-03-01"})
    due = Record(
        RecordKind.SERVICE, "sump.desludge", world.now_us, world.now_us, world.now_us, body
    )
    world.write(due)
    world.pass_us(90 * DAY_US)
    before = reached_by(world.courier.situation)
    world.pass_us(275 * DAY_US)
    assert reached_by(world.courier.situation) < before + 100
    assert len(digests(world)) == len(set(digests(world))) == 366
