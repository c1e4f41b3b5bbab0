"""Dockings of a towed tank: counted and measured, by hand."""

from __future__ import annotations

from typing import Any

import pytest

from collector.core.process.batches import METER_ERROR_M, Batches
from collector.core.process.volumes import FlowSource
from collector.core.records import AWAY, COLLECTOR_STOPPED, Quality
from collector.core.wells.geometry import Geometry
from collector.plant.equipment import Well
from tests.unit.core.process.on_paper import HOUR_S, Bench, PaperFlow, move_state
from tests.unit.core.scans_for_tests import us

LOW, START = 0.2, 1.0


def bench_of(pumped: FlowSource | None = None, **keys: Any) -> tuple[Bench, Batches]:
    """A tank of 2 m2, 1.5 m high, with floats at 0.2 m and 1.0 m, a level known to 10 mm."""
    well = Well.model_validate(
        {
            "kind": "well",
            "title": "Tank",
            "plan_area_m2": 2.0,
            "overflow_m": 1.5,
            "floats": {
                "low": {"point": "t.low", "makes_at_m": LOW},
                "start_1": {"point": "t.start", "makes_at_m": START},
            },
            "level": "t.level",
            **keys,
        }
    )
    part = Batches("tank", well, Geometry.prism(2.0), 0.01, pumped)
    return Bench(part), part


def dock(bench: Bench, at_s: float, level_m: float) -> None:
    """The panel answers: first what it shows, then that it is back."""
    for point, value in (("t.low", level_m > LOW), ("t.start", level_m > START)):
        bench.change(point, value, at_s, after_s=at_s - 1.0)
    if "t.level" in bench.parts[0].points:
        bench.change("t.level", level_m, at_s, after_s=at_s - 1.0)
    bench.find("t", at_s)


def empty(bench: Bench, at_s: float, level_m: float) -> None:
    """It is pumped down to a level."""
    for point, value in (("t.start", level_m > START), ("t.low", level_m > LOW)):
        bench.change(point, value, at_s, after_s=at_s - 1.0)
    if "t.level" in bench.parts[0].points:
        bench.change("t.level", level_m, at_s, after_s=at_s - 1.0)


def leave(bench: Bench, at_s: float) -> None:
    """It is unplugged and towed away."""
    bench.lose("t", at_s, at_s + 6.0, AWAY)


def test_a_batch_is_what_the_level_fell() -> None:
    """From 1.2 m to 0.1 m over 2 m2: 2.2 m3, off by 15 mm at either end (60 L); told ten minutes
    after it went, dated when it went."""
    bench, part = bench_of()
    dock(bench, 1000.0, 1.2)
    empty(bench, 2000.0, 0.1)
    leave(bench, 2600.0)
    assert part.batches == 0
    bench.until(2600.0 + 600.0)
    margin_m3 = 2 * (0.01 + METER_ERROR_M) * 2.0
    last = bench.last("batch_volume")
    assert bench.value("batch_volume") == pytest.approx(2.2)
    assert (last.low, last.high) == pytest.approx((2.2 - margin_m3, 2.2 + margin_m3))
    assert last.reason == "by the level"
    assert part.batches == 1
    [event] = bench.events("undocked")
    assert (event.after_us, event.by_us) == (2_600_000_000, 2_606_000_000)
    assert event.value == 1606.0


def test_a_radio_that_falters_is_one_docking() -> None:
    """Silent for nine minutes and back: still the same batch."""
    bench, part = bench_of()
    dock(bench, 1000.0, 1.2)
    leave(bench, 1500.0)
    dock(bench, 1500.0 + 540.0, 0.9)
    empty(bench, 3000.0, 0.1)
    leave(bench, 3600.0)
    bench.until(2 * HOUR_S)
    assert part.batches == 1
    assert bench.value("batch_volume") == pytest.approx(2.2)


def test_batches_add_up_whichever_sump_filled_them() -> None:
    """Three dockings with other fills: three batches and the sum of their volumes."""
    bench, part = bench_of()
    for k, full_m in enumerate((1.2, 0.7, 1.4)):
        dock(bench, 10_000.0 * k + 1000.0, full_m)
        empty(bench, 10_000.0 * k + 2000.0, 0.1)
        leave(bench, 10_000.0 * k + 2600.0)
    bench.until(40_000.0)
    assert part.batches == 3
    assert bench.value("batch_total") == pytest.approx(2.2 + 1.2 + 2.6)


def test_without_a_level_the_pumps_say_how_much() -> None:
    """No level meter: what the pump gave by the estimate, 2 m3 +- 0.2 m3."""
    flow = PaperFlow(lambda at_s: 0.002 * min(1000.0, max(0.0, at_s - 1200.0)), share=0.05)
    bench, _ = bench_of(flow, level=None)
    dock(bench, 1000.0, 1.2)
    empty(bench, 2300.0, 0.1)
    leave(bench, 2600.0)
    bench.until(2 * HOUR_S)
    last = bench.last("batch_volume")
    assert bench.value("batch_volume") == pytest.approx(2.0)
    assert (last.low, last.high) == pytest.approx((1.8, 2.2))
    assert last.reason == "by the pumps"


def test_with_floats_alone_the_bounds_are_wide_and_true() -> None:
    """Above 1.0 m to below 0.2 m over 2 m2 and 1.5 m: between 1.6 and 3.0 m3."""
    bench, _ = bench_of(level=None)
    dock(bench, 1000.0, 1.2)
    empty(bench, 2000.0, 0.1)
    leave(bench, 2600.0)
    bench.until(2 * HOUR_S)
    last = bench.last("batch_volume")
    assert (last.low, last.high) == pytest.approx((1.6, 3.0))
    assert last.reason == "by the floats"


def test_a_level_that_is_not_known_measures_nothing() -> None:
    """The level is bad and there are no pumps to ask: the batch counts, its volume is unknown, and
    the total is open above."""
    bench, part = bench_of()
    dock(bench, 1000.0, 1.2)
    bench.change("t.level", None, 1500.0, "out of range")
    leave(bench, 2600.0)
    bench.until(2 * HOUR_S)
    assert part.batches == 1
    assert (bench.last("batch_volume").value, bench.last("batch_volume").quality) == (
        None,
        Quality.BAD,
    )
    assert bench.last("batch_total").high is None
    stay_us = us(2606.0 - 1000.0)
    assert part.readings(us(2 * HOUR_S))["tank.batch_total"].unknown_us == stay_us
    assert part.readings(us(2 * HOUR_S))["tank.batches"].unknown_us == 0


def test_a_stop_of_the_collector_during_a_stay_makes_it_uncertain() -> None:
    """The collector stops for five minutes while the tank is docked: one batch, by the level, and
    the record says that not all of the stay was watched."""
    bench, part = bench_of()
    dock(bench, 1000.0, 1.2)
    bench.lose("t", 1500.0, 1800.0, COLLECTOR_STOPPED)
    dock(bench, 1801.0, 0.8)
    empty(bench, 2500.0, 0.1)
    leave(bench, 2600.0)
    bench.until(2 * HOUR_S)
    assert part.batches == 1
    assert bench.value("batch_volume") == pytest.approx(2.2)
    assert bench.last("batch_volume").quality is Quality.UNCERTAIN


def test_batches_may_come_unseen_while_the_collector_stands() -> None:
    """The collector stops for three hours while the tank is away: so long it is unknown whether a
    batch came, and nothing bounds how many; being away before and after it is known."""
    bench, part = bench_of()
    dock(bench, 1000.0, 1.2)
    empty(bench, 2000.0, 0.1)
    leave(bench, 2600.0)
    before = part.readings(us(4 * HOUR_S))
    bench.lose("t", 5 * HOUR_S, 8 * HOUR_S, COLLECTOR_STOPPED)
    bench.lose("t", 5 * HOUR_S, 8 * HOUR_S + 6.0, AWAY)
    bench.until(12 * HOUR_S)
    after = part.readings(us(12 * HOUR_S))
    for name in ("tank.batches", "tank.batch_total"):
        assert before[name].unknown_us == 0
        assert after[name].unknown_us == us(3 * HOUR_S + 6.0)
        assert not after[name].bounded
    dock(bench, 13 * HOUR_S, 1.2)
    leave(bench, 13 * HOUR_S + 600.0)
    bench.until(14 * HOUR_S)
    last = bench.last("batch_total")
    assert (last.quality, last.high) == (Quality.UNCERTAIN, None)
    assert "unseen" in last.reason


def test_a_stop_too_short_for_a_batch_hides_none() -> None:
    """Nine minutes without a collector leave all totals known: no tank comes and goes so fast."""
    bench, part = bench_of()
    dock(bench, 1000.0, 1.2)
    leave(bench, 2600.0)
    bench.lose("t", 5 * HOUR_S, 5 * HOUR_S + 540.0, COLLECTOR_STOPPED)
    bench.lose("t", 5 * HOUR_S, 5 * HOUR_S + 546.0, AWAY)
    bench.until(6 * HOUR_S)
    assert part.readings(us(6 * HOUR_S))["tank.batch_total"].unknown_us == 0


def test_a_docked_contact_decides_where_the_panel_always_answers() -> None:
    """With a contact of its own the stay is from making to breaking."""
    bench, part = bench_of(docked="t.docked")
    bench.change("t.docked", False, 0.0)
    dock(bench, 0.0, 1.2)
    bench.change("t.docked", True, 1000.0, after_s=999.0)
    empty(bench, 2000.0, 0.1)
    bench.change("t.docked", False, 2600.0, after_s=2599.0)
    bench.until(2 * HOUR_S)
    assert part.batches == 1
    assert bench.value("batch_volume") == pytest.approx(2.2)


@pytest.mark.parametrize("left", [False, True])
def test_a_restart_changes_nothing(left: bool) -> None:
    """Saved during a stay, or in the ten minutes after it, the batch is told as it would be."""
    first, _ = bench_of()
    first.lose("t", 100.0, 900.0, COLLECTOR_STOPPED)
    dock(first, 1000.0, 1.2)
    empty(first, 2000.0, 0.1)
    if left:
        leave(first, 2600.0)
    second, _ = bench_of()
    move_state(first.parts, second.parts)
    for bench in (first, second):
        if not left:
            leave(bench, 2600.0)
        bench.until(2 * HOUR_S)
    assert first.said == second.said
    assert first.told("batch_volume")
    assert first.parts[0].save() == second.parts[0].save()
