"""The service desk: due by use, calendar and condition, by arithmetic and the calendar.

Calendar sums are checked against ``dateutil.relativedelta``, an independent library; the yearly and
monthly intervals are those of MIL-HDBK-1164, tables 27 and 34 (pumps dismantled yearly; floats and
alarms tested monthly).
"""

from __future__ import annotations

import json
from datetime import date
from zoneinfo import ZoneInfo

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from collector.core.conditions.contract import Facts, FactValue, Held
from collector.core.logbook import Entry
from collector.core.records import Derived, Output, Quality, ServiceMoved
from collector.core.service.desk import ServiceDesk
from collector.core.service.intervals import add_months
from collector.core.service.rule import (
    CalendarInterval,
    ConditionInterval,
    Interval,
    ServiceRule,
    UseInterval,
)

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
LONDON = ZoneInfo("Europe/London")
# 2026-01-01T00:00:00Z, midnight in London.
START_US = 1_767_225_600_000_000


class Nothing:
    """No fact is known."""

    def value_of(self, fact: str) -> FactValue | None:
        return None


class Worn:
    """A condition that holds while a fact does."""

    text, facts = "pump.low_flow", ("pump.low_flow",)

    def holds(self, facts: Facts, held: Held) -> bool | None:
        value = facts.value_of("pump.low_flow")
        return value if isinstance(value, bool) else None

    def explain(self) -> str:
        return "low flow of pump"


class LowFlow(Nothing):
    """The pump gives less than it did."""

    def value_of(self, fact: str) -> FactValue | None:
        return True


def desk_of(*intervals: Interval, ahead: float = 14.0) -> ServiceDesk:
    rule = ServiceRule("pump", "overhaul", "Overhaul", tuple(intervals), ahead)
    return ServiceDesk([rule], LONDON, START_US, 0)


def hours(value: float, low: float | None = None, high: float | None = None) -> Derived:
    least, most = (None if bound is None else bound * 3600.0 for bound in (low, high))
    return Derived("pump.run_hours", value * 3600.0, Quality.GOOD, 0, least, most)


def run(desk: ServiceDesk, days: int, per_day: float = 10.0, unknown: float = 0.0) -> ServiceMoved:
    """So many days of even use; what the desk said last."""
    last: list[Output] = []
    for day in range(1, days + 1):
        told = hours(day * per_day, day * per_day, day * (per_day + unknown))
        last = desk.take([told], Nothing(), START_US + day * DAY_US - HOUR_US) or last
        last = desk.take([], Nothing(), START_US + day * DAY_US + HOUR_US) or last
    assert isinstance(last[-1], ServiceMoved)
    return last[-1]


def entry(verb: str, at_us: int, **details: str | float) -> Entry:
    return Entry(f"{verb}{at_us}", "pump", verb, "J. Sallow", at_us, at_us, dict(details))


def test_it_is_due_when_the_interval_is_used_and_overdue_beyond_a_tenth_more() -> None:
    """500 h at 10 h a day: due after 50 days, overdue after 55."""
    rule = UseInterval("run_hours", 500.0 * 3600.0)
    assert run(desk_of(rule), 20).state == "not due"
    assert run(desk_of(rule), 49).state == "due soon"
    assert run(desk_of(rule), 50).state == "due"
    assert run(desk_of(rule), 54).state == "due"
    assert run(desk_of(rule), 56).state == "overdue"


def test_the_date_comes_from_recent_use() -> None:
    """After 20 days 300 h are left at 10 h a day: 30 days on."""
    found = run(desk_of(UseInterval("run_hours", 500.0 * 3600.0)), 20)
    assert found.details["due_likely"] == date(2026, 2, 20).isoformat()
    assert found.details["used"] == pytest.approx(200.0)
    assert found.details["counted_from"] == "watching began"


def test_unknown_run_time_counts_on_the_cautious_side() -> None:
    """10 h known and 10 unknown a day: due after 25 days, shown with what is known; not overdue."""
    found = run(desk_of(UseInterval("run_hours", 500.0 * 3600.0)), 25, unknown=10.0)
    assert found.state == "due"
    assert found.details["used"] == pytest.approx(250.0)
    assert found.details["used_high"] == pytest.approx(500.0)
    assert "at most 500" in str(found.details["because"])


def test_work_done_begins_the_interval_anew() -> None:
    """Closed after 40 days of 10 h: ten days later 100 h are used."""
    desk = desk_of(UseInterval("run_hours", 500.0 * 3600.0))
    run(desk, 40)
    closed_us = START_US + 40 * DAY_US + 2 * HOUR_US
    done = entry("work_done", closed_us, task="overhaul")
    (told,) = desk.entries_stand("pump", [done], Nothing(), closed_us)
    assert isinstance(told, ServiceMoved)
    assert (told.state, told.details["used"]) == ("not due", 0.0)
    desk.take([hours(500.0)], Nothing(), START_US + 50 * DAY_US - HOUR_US)
    (told,) = desk.take([], Nothing(), START_US + 50 * DAY_US + HOUR_US)
    assert isinstance(told, ServiceMoved)
    assert told.details["used"] == pytest.approx(100.0)


def test_the_same_task_closed_twice_counts_from_the_later_work() -> None:
    """Two people enter the same visit; the second entry moves the beginning by minutes only."""
    desk = desk_of(UseInterval("run_hours", 500.0 * 3600.0))
    run(desk, 40)
    at_us = START_US + 40 * DAY_US + 2 * HOUR_US
    first, second = (entry("work_done", at_us + m * 60_000_000, task="overhaul") for m in (0, 5))
    desk.entries_stand("pump", [first], Nothing(), at_us)
    again = desk.entries_stand("pump", [first, second], Nothing(), at_us + 300_000_000)
    assert again == []


def test_work_of_the_past_counts_from_when_it_was_done() -> None:
    """Entered after 40 days, done at noon of the 31st day: between 9 and 10 days of use since."""
    desk = desk_of(UseInterval("run_hours", 500.0 * 3600.0))
    run(desk, 40)
    done_us = START_US + 30 * DAY_US + 12 * HOUR_US
    late = Entry("a", "pump", "work_done", "J. Sallow", done_us, START_US + 40 * DAY_US,
                 {"task": "overhaul"})  # fmt: skip
    (told,) = desk.entries_stand("pump", [late], Nothing(), START_US + 40 * DAY_US + HOUR_US)
    assert isinstance(told, ServiceMoved)
    assert told.details["used"] == pytest.approx(95.0)
    assert (told.details["used_low"], told.details["used_high"]) == pytest.approx((90.0, 100.0))
    assert told.details["since"] == "2026-01-31"


def test_work_of_this_morning_owes_what_ran_since() -> None:
    """Done at 06:00, entered at 18:00, when 10 h of the day had been counted: up to those 10 h."""
    desk = desk_of(UseInterval("run_hours", 500.0 * 3600.0))
    run(desk, 40)
    told_us = START_US + 40 * DAY_US + 18 * HOUR_US
    desk.take([hours(410.0)], Nothing(), told_us)
    done = Entry("a", "pump", "work_done", "J. Sallow", told_us - 12 * HOUR_US, told_us,
                 {"task": "overhaul"})  # fmt: skip
    (told,) = desk.entries_stand("pump", [done], Nothing(), told_us)
    assert isinstance(told, ServiceMoved)
    assert told.details["used"] == pytest.approx(10.0 * 2 / 3, abs=1e-3)
    assert (told.details["used_low"], told.details["used_high"]) == pytest.approx((0.0, 10.0))


def test_a_closing_that_is_void_is_none() -> None:
    """What was entered by mistake and declared void leaves the task as it had been."""
    desk = desk_of(UseInterval("run_hours", 300.0 * 3600.0))
    before = run(desk, 40)
    at_us = START_US + 40 * DAY_US + 2 * HOUR_US
    done = entry("work_done", at_us, task="overhaul")
    desk.entries_stand("pump", [done], Nothing(), at_us)
    (told,) = desk.entries_stand("pump", [], Nothing(), at_us + HOUR_US)
    assert isinstance(told, ServiceMoved)
    assert told.state == "overdue"
    counted = ("used", "counted_from", "since")
    assert [told.details[name] for name in counted] == [before.details[name] for name in counted]


def test_a_replaced_machine_begins_every_task_anew() -> None:
    """The new one owes nothing for the hours of the old one."""
    desk = desk_of(UseInterval("run_hours", 300.0 * 3600.0))
    assert run(desk, 40).state == "overdue"
    at_us = START_US + 40 * DAY_US + 2 * HOUR_US
    new = entry("replaced", at_us, serial_number="OB-7")
    (told,) = desk.entries_stand("pump", [new], Nothing(), at_us)
    assert isinstance(told, ServiceMoved)
    assert told.state == "not due"


def test_another_task_or_machine_is_not_closed() -> None:
    """An entry closes the task it names."""
    desk = desk_of(UseInterval("run_hours", 300.0 * 3600.0))
    run(desk, 40)
    at_us = START_US + 40 * DAY_US + 2 * HOUR_US
    other = entry("work_done", at_us, task="grease")
    assert desk.entries_stand("pump", [other], Nothing(), at_us) == []


def test_whichever_comes_first_decides() -> None:
    """10 000 h or a month: the month."""
    desk = desk_of(UseInterval("run_hours", 10_000.0 * 3600.0), CalendarInterval(1, 0))
    found = run(desk, 32)
    assert found.state == "due"
    assert "1 month" in str(found.details["because"])


def test_a_condition_makes_it_due_and_unknown_does_not() -> None:
    """Nobody knows whether the pump is worn: that is said, and is not due."""
    desk = desk_of(ConditionInterval(Worn()))
    (unknown,) = desk.tell(Nothing(), START_US)
    (worn,) = desk.tell(LowFlow(), START_US)
    assert isinstance(unknown, ServiceMoved)
    assert isinstance(worn, ServiceMoved)
    assert (unknown.state, worn.state) == ("not known", "due")


def test_nothing_is_known_before_the_first_figure() -> None:
    """A machine of which nothing was heard is neither due nor not."""
    (told,) = desk_of(UseInterval("run_hours", 3600.0)).tell(Nothing(), START_US)
    assert isinstance(told, ServiceMoved)
    assert told.state == "not known"


def test_a_restored_desk_goes_on_as_if_nothing_had_been() -> None:
    """Saved on any day, it says the same afterwards."""
    interval = UseInterval("run_hours", 500.0 * 3600.0)
    whole = run(desk_of(interval), 50)
    desk = desk_of(interval)
    run(desk, 30)
    again = desk_of(interval)
    again.restore(json.loads(json.dumps(desk.save())))
    last: list[Output] = []
    for day in range(31, 51):
        at_us = START_US + day * DAY_US
        told = hours(day * 10.0, day * 10.0, day * 10.0)
        last = again.take([told], Nothing(), at_us - HOUR_US) or last
        last = again.take([], Nothing(), at_us + HOUR_US) or last
    assert last[-1] == whole


def test_a_task_that_is_due_stays_so_over_a_restart_until_its_condition_is_known() -> None:
    """Before the panels are read nothing is known of it; that alone is no news until the day ends.

    With another condition in force, what was told says nothing of it.
    """
    desk = desk_of(ConditionInterval(Worn()))
    (told,) = desk.tell(LowFlow(), START_US)
    assert isinstance(told, ServiceMoved)
    assert told.state == "due"
    again = desk_of(ConditionInterval(Worn()))
    again.restore(json.loads(json.dumps(desk.save())))
    assert again.settle(Nothing(), START_US + HOUR_US) == []
    (ended,) = again.take([], Nothing(), START_US + DAY_US)
    assert isinstance(ended, ServiceMoved)
    assert ended.state == "not known"

    class Cold(Worn):
        def explain(self) -> str:
            return "cold well of pump"

    other = desk_of(ConditionInterval(Cold()))
    other.restore(json.loads(json.dumps(desk.save())))
    (moved,) = other.settle(Nothing(), START_US + HOUR_US)
    assert isinstance(moved, ServiceMoved)
    assert moved.state == "not known"


def test_a_counter_that_begins_again_goes_on_where_it_was() -> None:
    """Kept state was lost and run hours begin at nothing: what was before is added on."""
    desk = desk_of(UseInterval("run_hours", 500.0 * 3600.0))
    run(desk, 40)
    desk.take([hours(5.0)], Nothing(), START_US + 41 * DAY_US - HOUR_US)
    (told,) = desk.take([], Nothing(), START_US + 41 * DAY_US + HOUR_US)
    assert isinstance(told, ServiceMoved)
    assert told.details["used"] == pytest.approx(400.0)
    desk.take([hours(15.0)], Nothing(), START_US + 42 * DAY_US - HOUR_US)
    (told,) = desk.take([], Nothing(), START_US + 42 * DAY_US + HOUR_US)
    assert isinstance(told, ServiceMoved)
    assert told.details["used"] == pytest.approx(410.0)


@given(st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.integers(0, 240))
def test_months_are_added_as_an_independent_library_does(day: date, months: int) -> None:
    """The same day of a later month, or its last."""
    assert add_months(day, months) == day + relativedelta(months=months)
