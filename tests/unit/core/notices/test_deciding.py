"""Who is told what and when.

Sources: state names and the meaning of shelving, suppression and out of service, ISA-18.2 / IEC
62682; flood above 10 alarms in 10 min, over below 5 in 10 min, ISA-18.2 as quoted in secondary
sources. Hours, repetition and passing on are the project's own and are checked as written down.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from collector.core.alarms import states
from collector.core.alarms.states import State
from collector.core.calendar import local
from collector.core.notices.routes import MINUTE_US, Hours, Person, Turn
from collector.core.records import Quality
from tests.unit.core.notices.world import (
    DAY_US,
    DAYTIME,
    ENGINEER,
    HOUR_US,
    NO_DIGEST,
    OWNER,
    SECOND_US,
    WARDEN,
    ZONE,
    World,
    local_times,
    utc,
)

HIGH = "sump.high"


def test_an_alarm_is_told_at_once_to_the_first_turn_alone() -> None:
    """The warden hears of it in the same instant, nobody else does."""
    world = World()
    key = world.raises(HIGH)
    world.turn()
    assert world.told() == [("warden.mail", {key: "stands"})]
    assert world.arrived[0].at_us == world.now_us


def test_it_is_passed_on_and_repeated_until_it_is_acknowledged() -> None:
    """The engineer by both ways after 15 min, everybody again after 30 min; then nothing more."""
    world = World()
    key = world.raises(HIGH)
    world.pass_us(46 * MINUTE_US)
    told = zip(world.arrived, local_times(world.arrived), strict=True)
    assert [(one.notice.to, at) for one, at in told] == [
        ("warden.mail", "2026-03-02 12:00"),
        ("engineer.mail", "2026-03-02 12:15"),
        ("engineer.phone", "2026-03-02 12:15"),
        ("warden.mail", "2026-03-02 12:30"),
        ("engineer.mail", "2026-03-02 12:45"),
        ("engineer.phone", "2026-03-02 12:45"),
    ]  # fmt: skip
    assert world.told("warden")[1] == ("warden.mail", {key: "stands still"})
    world.acknowledged(HIGH)
    world.pass_us(DAY_US)
    assert len(world.arrived) == 6


def test_repetition_is_bounded() -> None:
    """An alarm nobody ever acknowledges is told once and four times again, to each."""
    world = World()
    world.raises(HIGH)
    world.pass_us(3 * DAY_US)
    assert [len(world.told(to)) for to in ("warden.mail", "engineer.phone")] == [5, 5]


def test_the_end_is_told_to_those_who_were_told() -> None:
    """Acknowledged or not; nobody else hears of it."""
    world = World()
    key = world.raises(HIGH)
    world.pass_us(MINUTE_US)
    world.acknowledged(HIGH)
    world.pass_us(MINUTE_US)
    world.move(HIGH, states.CLEARED, State.NORMAL)
    world.pass_us(HOUR_US)
    assert world.told() == [
        ("warden.mail", {key: "stands"}), ("warden.mail", {key: "ended"})
    ]  # fmt: skip


@pytest.mark.parametrize("aside", sorted(states.COVERING))
def test_what_is_set_aside_is_silent(aside: str) -> None:
    """Raised under the cover, nobody is told; when the cover goes and it stands, it is told."""
    world = World()
    cover = states.COVERING[aside]
    world.move(HIGH, aside, cover)
    world.numbers[HIGH] = 1
    world.move(HIGH, states.RAISED, cover, priority="high", title="high")
    world.pass_us(DAY_US)
    assert world.told() == []
    world.move(HIGH, states.UNSHELVED, State.UNACKNOWLEDGED)
    world.turn()
    assert world.told() == [("warden.mail", {f"{HIGH}#1": "stands"})]


def test_setting_aside_ends_repetition_and_its_end_there_is_silent() -> None:
    """Shelved after it was told: no repetition, no passing on, no word of its end."""
    world = World()
    world.raises(HIGH)
    world.pass_us(MINUTE_US)
    world.move(HIGH, states.SHELVED, State.SHELVED, actor="warden", reason="known")
    world.pass_us(DAY_US)
    world.move(HIGH, states.CLEARED, State.SHELVED)
    world.pass_us(DAY_US)
    assert len(world.arrived) == 1


def test_after_the_shelf_it_is_told_anew() -> None:
    """What was told before it was set aside does not count any more."""
    world = World()
    key = world.raises(HIGH)
    world.pass_us(MINUTE_US)
    world.move(HIGH, states.SHELVED, State.SHELVED, actor="warden", reason="known")
    world.pass_us(10 * MINUTE_US)
    world.move(HIGH, states.SHELF_ENDED, State.UNACKNOWLEDGED)
    world.turn()
    assert world.told("warden") == [("warden.mail", {key: "stands"})] * 2


def test_a_lost_panel_ends_no_alarm() -> None:
    """That nobody knows whether it still holds is no end of it: it is repeated, and says so."""
    world = World()
    key = world.raises(HIGH)
    world.pass_us(MINUTE_US)
    world.move(HIGH, states.BECAME_UNKNOWN, State.UNACKNOWLEDGED, Quality.BAD)
    world.pass_us(30 * MINUTE_US)
    assert world.told("warden")[1:] == [("warden.mail", {key: "stands still"})]
    (again,) = [one for one in world.arrived if "stands still" in one.notice.about.values()]
    assert "not known whether it still holds" in again.text.body


# --- who ------------------------------------------------------------------------------------------


def test_hours_are_of_the_plants_clocks_and_go_over_midnight() -> None:
    """On a Monday from 22:00 means until 06:00 on Tuesday, and not early on Monday."""
    night = Hours(frozenset({0}), 22 * 60, 6 * 60)
    monday_us = utc("2026-03-02T00:00:00")
    held = [night.hold(local(monday_us + hour * HOUR_US, ZONE)) for hour in (3, 21, 22, 29, 30)]
    assert held == [False, False, True, True, False]


def test_who_is_not_on_is_passed_over_and_never_nobody_is_told() -> None:
    """In the day the warden; at night the engineer at once; if he is off too, the owner."""
    people = {
        "warden": replace(WARDEN, digest=False, hours=(DAYTIME,)),
        "engineer": replace(ENGINEER, ways=("mail",), hours=(Hours(frozenset({0}), 19 * 60, 420),)),
        "owner": OWNER,
    }
    routes = replace(NO_DIGEST, people=people)
    for at, told in (
        ("2026-03-02T12:00:00", "warden.mail"),
        ("2026-03-02T20:00:00", "engineer.mail"),
        ("2026-03-03T20:00:00", "owner.mail"),
        ("2026-03-07T12:00:00", "owner.mail"),
    ):
        world = World(routes, utc(at))
        world.raises(HIGH)
        world.turn()
        assert [to for to, _ in world.told()] == [told], at


def test_who_comes_on_is_told_of_what_stands() -> None:
    """At seven in the morning the warden hears of the alarm that the owner got at night."""
    people = {**NO_DIGEST.people, "warden": replace(WARDEN, digest=False, hours=(DAYTIME,))}
    routes = replace(NO_DIGEST, people=people, turns=(Turn(("warden",)),))
    world = World(routes, utc("2026-03-03T06:50:00"))
    key = world.raises(HIGH)
    world.pass_us(15 * MINUTE_US)
    assert world.told() == [("owner.mail", {key: "stands"}), ("warden.mail", {key: "stands"})]
    assert local_times(world.arrived)[1] == "2026-03-03 07:00"


def test_priority_and_equipment_choose_who_is_told() -> None:
    """What nobody of the turns wants goes to the fallback person, unless that one does not."""
    engineer = Person("engineer", ("mail",), priorities=frozenset({"high"}))
    pumps = Person("warden", ("mail",), equipment=frozenset({"pump_1"}))
    routes = replace(
        NO_DIGEST,
        people={"warden": pumps, "engineer": engineer, "owner": OWNER},
        turns=(Turn(("warden", "engineer")),),
    )
    told = []
    for subject, priority in (("pump_1.fault", "low"), ("sump.odd", "low"), ("sump.high", "high")):
        world = World(routes)
        world.raises(subject, priority)
        world.turn()
        told.append([to for to, _ in world.told()])
    assert told == [["warden.mail"], ["owner.mail"], ["engineer.mail"]]


# --- folding --------------------------------------------------------------------------------------


def test_alarms_of_one_instant_make_one_notice_first_out_first() -> None:
    """The first of the burst leads, whatever its priority; the others are listed below."""
    world = World()
    world.raises("works.no_voltage", "medium")
    for name in ("a", "b", "c"):
        world.raises(f"sump.{name}", "high", follows="works.no_voltage#1")
    world.turn()
    (only,) = world.arrived
    assert only.text.subject.startswith("Osier Bend: MEDIUM works: no voltage since 12:00")
    assert "(+3 more)" in only.text.subject
    assert only.text.body.index("works.no_voltage") < only.text.body.index("sump.a")


def test_ten_alarms_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    """Ten are told one by one; the eleventh says flood, those after it wait ten minutes."""
    world = World()
    for number in range(10):
        world.raises(f"sump.a{number}", "low")
        world.pass_us(30 * SECOND_US)
    assert not any(one.notice.flood for one in world.arrived)
    assert len(world.arrived) == 10
    for number in range(10, 20):
        world.raises(f"sump.a{number}", "low")
        world.pass_us(20 * SECOND_US)
    assert [one.notice.flood for one in world.arrived[10:]] == [True]
    assert "FLOOD OF ALARMS (11 in 10 min)" in world.arrived[10].text.subject
    world.pass_us(12 * MINUTE_US)
    told = world.told("warden")[11:]
    assert told[0][1].keys() >= {f"sump.a{number}#1" for number in range(11, 20)}


def test_in_a_flood_an_alarm_of_high_priority_waits_a_minute_at_most() -> None:
    """Whoever has to act gets it soon, with everything that was held back."""
    world = World()
    for number in range(12):
        world.raises(f"sump.a{number}", "low")
        world.pass_us(SECOND_US)
    before = len(world.arrived)
    world.raises(HIGH)
    world.pass_us(61 * SECOND_US)
    (later,) = world.arrived[before:]
    assert later.notice.about[f"{HIGH}#1"] == "stands"
    assert "sump.a11#1" in later.notice.about


def test_a_chattering_alarm_is_folded() -> None:
    """Sixty times in ten minutes: three told one by one, the rest in one notice when it is calm."""
    world = World()
    for _ in range(60):
        world.raises(HIGH)
        world.pass_us(4 * SECOND_US)
        world.clears(HIGH)
        world.pass_us(6 * SECOND_US)
    # Two came and went with both ends told, the third says that it chatters.
    assert [list(about.values()) for _, about in world.told("warden")] == [
        ["stands"], ["ended"], ["stands"], ["ended"], ["stands"],
    ]  # fmt: skip
    assert "chatters: 3 times in 10 min" in world.arrived[4].text.subject
    world.pass_us(HOUR_US)
    (rest,) = world.told("warden")[5:]
    assert set(rest[1].values()) == {"came and went"}
    assert len(rest[1]) == 57
    assert "57 times" in world.arrived[5].text.subject
    assert world.arrived[5].at_us <= world.now_us - HOUR_US + 11 * MINUTE_US


def test_a_chattering_alarm_that_goes_on_is_told_at_the_time_of_repetition() -> None:
    """Three hours of it make a notice each half hour, not one each time."""
    world = World()
    for _ in range(3 * 60):
        world.raises(HIGH)
        world.pass_us(20 * SECOND_US)
        world.clears(HIGH)
        world.pass_us(40 * SECOND_US)
    assert 8 <= len(world.told("warden")) <= 12


# --- outages --------------------------------------------------------------------------------------


def test_what_came_and_went_during_an_outage_is_summed_up_in_one_notice() -> None:
    """Two days without a far side, forty alarms: one notice, which lists them."""
    routes = replace(NO_DIGEST, turns=(Turn(("warden",)),))
    world = World(routes, away=lambda to: True)
    for number in range(40):
        world.raises(f"sump.a{number}", "medium")
        world.pass_us(30 * MINUTE_US)
        world.clears(f"sump.a{number}")
        world.pass_us(42 * MINUTE_US)
    standing = world.raises(HIGH)
    world.pass_us(MINUTE_US)
    assert world.told() == []
    world.away = lambda to: False
    world.pass_us(HOUR_US)
    to_warden = world.told("warden")
    assert to_warden[0][1][standing] == "stands"
    assert sum(word == "came and went" for word in to_warden[0][1].values()) == 40
    assert len(to_warden) <= 3  # with repetitions of what stands


def test_attempts_grow_rarer() -> None:
    """Two days away: pauses double to five minutes, some six hundred attempts and not thousands."""
    world = World(away=lambda to: True)
    world.raises(HIGH)
    world.pass_us(5 * MINUTE_US)
    assert 4 <= world.tries <= 6
    world.pass_us(2 * DAY_US)
    assert world.tries < 3 * 2 * 24 * 12 + 20


def test_what_one_way_has_told_is_not_told_by_another_after_it_is_over() -> None:
    """The telephone was away; the mail told the engineer of begin and end."""
    world = World(away=lambda to: to == "engineer.phone")
    key = world.raises(HIGH)
    world.pass_us(20 * MINUTE_US)
    world.clears(HIGH)
    world.pass_us(MINUTE_US)
    world.away = lambda to: False
    world.pass_us(HOUR_US)
    assert world.told("engineer.mail") == [
        ("engineer.mail", {key: "stands"}), ("engineer.mail", {key: "ended"})
    ]  # fmt: skip
    assert world.told("engineer.phone") == []


def test_an_alarm_acknowledged_before_anybody_was_told_is_not_told() -> None:
    """Somebody knows of it."""
    world = World(away=lambda to: True)
    world.raises(HIGH)
    world.pass_us(MINUTE_US)
    world.acknowledged(HIGH)
    world.away = lambda to: False
    world.pass_us(HOUR_US)
    assert world.told() == []
    assert world.steps("warden.mail")[-1] == "given up"
