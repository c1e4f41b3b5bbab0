"""Blowers: changeovers, standby, time without air; worked out by hand."""

from __future__ import annotations

import pytest

from collector.core.process.air import AirSupply
from collector.core.records import Quality
from collector.plant.equipment import Blower, Group
from tests.unit.core.process.on_paper import Bench, move_state


def blower(name: str, **roles: str) -> Blower:
    """A blower with its run contact and others."""
    return Blower.model_validate({"kind": "blower", "title": name, "run": f"p.{name}", **roles})


def supply(needed: int = 1, count: int = 2) -> AirSupply:
    """Blowers b1, b2, ...; the second has a fault and an auto contact."""
    members = {f"b{k}": blower(f"b{k}") for k in range(1, count + 1)}
    members["b2"] = blower("b2", fault="p.b2_fault", auto="p.b2_auto")
    group = Group.model_validate(
        {"kind": "group", "title": "Air", "members": list(members), "needed": needed}
    )
    return AirSupply("air", group, members, 0)


def running(part: AirSupply, **states: bool) -> Bench:
    """A bench on which everything is known from the first second on."""
    bench = Bench(part)
    for point in part.points:
        bench.change(point, states.get(point.removeprefix("p."), point == "p.b2_auto"), 0.0)
    return bench


def test_an_overlapping_changeover_counts_once() -> None:
    """b1, both, b2 is one changeover, and the air never stopped."""
    bench = running(part := supply(), b1=True)
    bench.change("p.b2", True, 100.0)
    bench.change("p.b1", False, 105.0)
    assert part.changeovers == 1
    assert part.lacking.on_us(200_000_000) == 0
    assert not bench.events("air_lost")


def test_a_pause_of_the_same_blower_is_no_changeover() -> None:
    """Off and on again for 1200 s: no changeover, 1200 s without air, told as an event."""
    bench = running(part := supply(), b1=True)
    bench.change("p.b1", False, 100.0)
    bench.change("p.b1", True, 1300.0)
    assert part.changeovers == 0
    assert part.lacking.on_us(2_000_000_000) == 1_200_000_000
    assert [event.value for event in bench.events("air_returned")] == [1200.0]
    assert bench.value("longest_without_air") == 1200.0
    assert bench.value("without_air_now") == 0.0


def test_a_changeover_across_a_pause_counts() -> None:
    """b1 stops, later b2 starts: one changeover."""
    bench = running(part := supply(), b1=True)
    bench.change("p.b1", False, 100.0)
    bench.change("p.b2", True, 200.0)
    assert part.changeovers == 1


def test_two_needed_of_three_change_over_by_sets() -> None:
    """b1+b2, then b1+b3 is one changeover; three together for a moment is none."""
    bench = running(part := supply(needed=2, count=3), b1=True, b2=True)
    bench.change("p.b3", True, 100.0)
    bench.change("p.b2", False, 110.0)
    assert part.changeovers == 1


def test_brackets_widen_the_time_without_air() -> None:
    """Contacts scanned every 2 s: 600 s without air, off by at most 1 s at either end."""
    part = supply()
    bench = Bench(part, period_s=2.0)
    for point in part.points:
        bench.change(point, point == "p.b1", 0.0)
    bench.change("p.b1", False, 100.0)
    bench.change("p.b1", True, 700.0)
    reading = part.lacking.reading(1_000_000_000)
    assert (reading.value, reading.low, reading.high) == pytest.approx((600.0, 598.0, 602.0))


def test_unknown_is_not_without_air() -> None:
    """While the panel is lost nobody knows: the time is unknown, and the bounds hold it."""
    bench = running(part := supply(), b1=True)
    bench.lose("p", 100.0, 105.0)
    assert bench.last("air_supply").value == "unknown"
    assert bench.last("air_supply").quality is Quality.BAD
    bench.find("p", 400.0)
    reading = part.lacking.reading(1_000_000_000)
    assert (reading.value, reading.low, reading.high) == (0.0, 0.0, 300.0)
    assert reading.unknown_us == 300_000_000


def test_one_blower_known_to_run_is_air_whatever_the_other_does() -> None:
    """The second blower's contact is bad, the first runs: there is air."""
    bench = running(supply(), b1=True)
    bench.change("p.b2", None, 50.0, "out of range")
    assert bench.last("air_supply").value == "air"


def test_changeovers_after_a_gap_are_at_least() -> None:
    """b1 before the gap, b2 after it: one changeover, uncertain and open above."""
    bench = running(part := supply(), b1=True)
    bench.lose("p", 100.0, 105.0)
    bench.change("p.b1", False, 400.0)
    bench.change("p.b2", True, 400.0)
    bench.find("p", 400.0)
    last = bench.last("changeovers")
    assert part.changeovers == last.value == last.low == 1.0
    assert (last.high, last.quality) == (None, Quality.UNCERTAIN)


@pytest.mark.parametrize(
    ("point", "value", "word", "why"),
    [
        ("p.b2_fault", True, "not available", "b2 has a fault"),
        ("p.b2_auto", False, "not available", "b2 is not in auto"),
        ("p.b2_auto", None, "unknown", "contacts not known"),
    ],
)
def test_standby_is_there_only_if_it_could_step_in(
    point: str, value: bool | None, word: str, why: str
) -> None:
    """A fault or a selector out of auto takes the standby away; an unknown contact hides it."""
    bench = running(supply(), b1=True)
    assert bench.last("standby").value == "available"
    bench.change(point, value, 50.0)
    assert (bench.last("standby").value, bench.last("standby").reason) == (word, why)


def test_the_time_under_way_is_told_while_it_lasts() -> None:
    """At the regular report, a time without air that began 900 s ago says 900 s."""
    bench = running(supply(), b1=True)
    bench.change("p.b1", False, 100.0)
    bench.report(1000.0)
    assert bench.value("without_air_now") == 900.0
    assert bench.value("time_without_air") == 900.0


def test_a_restart_changes_nothing() -> None:
    """Saved in the middle of a time without air and taken back, the figures go on."""
    bench = running(first := supply(), b1=True)
    bench.change("p.b1", False, 100.0)
    second = supply()
    move_state([first], [second])
    for part in (first, second):
        then = Bench(part)
        then.change("p.b2", True, 500.0)
        assert part.changeovers == 1
        assert part.lacking.on_us(600_000_000) == 400_000_000
        assert [event.value for event in then.events("air_returned")] == [400.0]
    assert first.save() == second.save()
