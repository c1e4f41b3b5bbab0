"""Performance figures of alarms against ISA-18.2, table 7 (quoted) and what follows from it."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from collector.reports.alarm_performance import (
    DAY_US,
    HOUR_US,
    MINUTE_US,
    TEN_MIN_US,
    Figure,
    Performance,
    chatters,
    floods,
    perform,
)
from collector.reports.alarm_rows import Activation

MIDNIGHT_US = 1_782_864_000_000_000  # 2026-07-01T00:00:00Z
MONTH_US = 30 * DAY_US
UTC = ZoneInfo("UTC")
SECOND_US = 1_000_000


def activation(subject: str, at_us: int, length_us: int | None = HOUR_US, **more: object) -> object:
    """An activation of priority low that began so long after the begin of the month."""
    began_us = MIDNIGHT_US + at_us
    ended_us = None if length_us is None else began_us + length_us
    one = Activation(subject, 1, "low", "", began_us, began_us, ended_us)
    return replace(one, **more)  # type: ignore[arg-type]


def of_month(*activations: object) -> Performance:
    """The figures of thirty days."""
    found = [one for one in activations if isinstance(one, Activation)]
    return perform(found, MIDNIGHT_US, MIDNIGHT_US + MONTH_US, UTC)


def figure(performance: Performance, name: str) -> Figure:
    """One line of the table."""
    (found,) = (each for each in performance.figures if each.name == name)
    return found


@pytest.mark.parametrize(
    ("at_s", "places"),
    [
        ((0, 20, 50), {0, 1, 2}),  # 3 or more in 1 min: ISA-18.2 screening convention, quoted
        ((0, 20, 61), set()),
        ((0, 20), set()),
        ((0, 20, 60), {0, 1, 2}),
        ((0, 100, 120, 140, 300), {1, 2, 3}),
    ],
)
def test_three_within_a_minute_chatter(at_s: tuple[int, ...], places: set[int]) -> None:
    """The three that came within the minute are meant, not the rest."""
    assert chatters([at * SECOND_US for at in at_s]) == places


def test_ten_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    """A flood begins above 10 alarms in 10 min (ISA-18.2, quoted), at the one too many."""
    times_us = [each * SECOND_US for each in range(0, 550, 50)]
    assert len(times_us) == 11
    assert floods(times_us[:10], HOUR_US) == ()
    (flood,) = floods(times_us, HOUR_US)
    assert flood.from_utc_us == times_us[-1]
    assert flood.count == 11


def test_a_flood_ends_when_fewer_than_five_came_in_ten_minutes() -> None:
    """Of eleven alarms 50 s apart the seventh leaves at 900 s: then four are left (quoted)."""
    times_us = [each * SECOND_US for each in range(0, 550, 50)]
    (flood,) = floods(times_us, HOUR_US)
    assert flood.to_utc_us == times_us[6] + TEN_MIN_US == 900 * SECOND_US
    (flood,) = floods(times_us, 899 * SECOND_US)
    assert flood.to_utc_us is None


def test_two_bursts_an_hour_apart_are_two_floods() -> None:
    """What lies between them ended the first."""
    burst = [each * SECOND_US for each in range(12)]
    found = floods([*burst, *(each + HOUR_US for each in burst)], 2 * HOUR_US)
    assert [flood.count for flood in found] == [12, 12]


def test_rates_are_averages_over_what_is_on_record() -> None:
    """Six an hour is one in 10 min: the target of ISA-18.2 table 7 (quoted), just met."""
    six_an_hour = [activation("a.b", each * TEN_MIN_US) for each in range(30 * 24 * 6)]
    found = of_month(*six_an_hour)
    assert figure(found, "alarms an hour").value == pytest.approx(6.0)
    assert figure(found, "alarms in 10 min").value == pytest.approx(1.0)
    assert figure(found, "alarms an hour").met
    one_more = of_month(*six_an_hour, activation("a.b", MINUTE_US))
    assert figure(one_more, "alarms an hour").met is False


def test_less_than_one_in_a_hundred_periods_may_have_more_than_ten() -> None:
    """Under 1 % of the periods of 10 min (ISA-18.2 table 7, quoted): 43 of 4320, not 44."""

    def bursts(count: int, size: int = 11) -> Performance:
        return of_month(
            *(
                activation("a.b", period * HOUR_US + each * SECOND_US)
                for period in range(count)
                for each in range(size)
            )
        )  # fmt: skip

    name = "periods of 10 min with more than 10"
    assert figure(bursts(43), name).met
    assert figure(bursts(44), name).met is False
    assert figure(bursts(44, size=10), name).value == 0.0


def test_the_ten_most_frequent_are_at_most_a_twentieth() -> None:
    """1 to 5 % of all (ISA-18.2 table 7, quoted); too few alarms cannot tell."""
    even = [activation(f"a.r{each}", each * HOUR_US) for each in range(200)]
    found = figure(of_month(*even), "share of the ten most frequent")
    assert found.value == pytest.approx(5.0)
    assert found.met
    uneven = [*even, *(activation("a.r0", each * HOUR_US + 1) for each in range(20))]
    found = figure(of_month(*uneven), "share of the ten most frequent")
    assert found.value == pytest.approx(100 * 30 / 220)
    assert found.met is False
    assert figure(of_month(*even[:50]), "share of the ten most frequent").met is None


def test_shares_of_priorities_are_about_eighty_fifteen_and_five_in_a_hundred() -> None:
    """About 80/15/5 % low, medium, high (ISA-18.2 table 7, quoted)."""
    words = ["low"] * 80 + ["medium"] * 15 + ["high"] * 5
    found = of_month(
        *(activation("a.b", at * HOUR_US, priority=word) for at, word in enumerate(words))
    )
    assert [count for _, count in found.by_priority] == [80, 15, 5]
    assert all(figure(found, f"share of priority {each}").met for each in ("low", "medium", "high"))
    all_high = of_month(*(activation("a.b", at * HOUR_US, priority="high") for at in range(100)))
    assert figure(all_high, "share of priority high").met is False
    assert figure(all_high, "share of priority low").met is False
    one = of_month(activation("a.b", 0, priority="high"))
    assert figure(one, "share of priority high").met is None


def test_fewer_than_five_may_stand_over_a_day() -> None:
    """Fewer than 5 on any day (ISA-18.2 table 7, quoted), counted on each day they stood."""
    four = [activation(f"a.r{each}", DAY_US // 2, 3 * DAY_US) for each in range(4)]
    found = of_month(*four)
    assert figure(found, "most standing over 24 h on one day").met
    # Raised on day 0 at noon, over 24 h from day 1 at noon, cleared on day 3 at noon.
    assert [count for _, count in found.standing_by_day][:5] == [0, 4, 4, 4, 0]
    found = of_month(*four, activation("a.open", 0, None))
    assert figure(found, "most standing over 24 h on one day").met is False
    assert found.standing_by_day[-1][1] == 1
    exactly = of_month(activation("a.b", 0, DAY_US))
    assert figure(exactly, "most standing over 24 h on one day").value == 0


def test_what_came_and_went_unseen_is_fleeting() -> None:
    """Not if somebody acknowledged it while it stood, nor if it is told as chattering."""
    brief = activation("a.brief", 0, 30 * SECOND_US)
    seen = activation(
        "a.seen", 0, 30 * SECOND_US,
        acknowledged_utc_us=MIDNIGHT_US + 10 * SECOND_US, acknowledged_by="night crew",
    )  # fmt: skip
    chatter = activation("a.chatter", 0, 5 * SECOND_US, chattering=True)
    found = of_month(brief, seen, chatter, activation("a.long", 0, MINUTE_US))
    assert found.fleeting == (("a.brief", 1),)
    assert found.chattering == (("a.chatter", 1),)
    assert figure(found, "alarms that chatter").met is False
    assert figure(found, "alarms that are fleeting").met is False


def test_a_quiet_month_meets_what_can_be_told() -> None:
    """Without alarms there are no shares, and nothing is claimed of them."""
    found = of_month()
    assert found.long_enough
    assert {each.met for each in found.figures if each.value is not None} == {True}
    assert {each.met for each in found.figures if each.value is None} == {None}


def test_what_began_before_the_period_stands_in_it_but_is_not_counted_as_raised() -> None:
    """The rates are of what was raised; the standing ones of what stood."""
    old = activation("a.b", -10 * DAY_US, None)
    found = of_month(old)
    assert found.count == 0
    assert found.standing_by_day[0][1] == 1
