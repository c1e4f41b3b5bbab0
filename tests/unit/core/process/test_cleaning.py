"""Cleaning cycles of a filter, worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from collector.core.process.cleaning import FilterCycles
from collector.core.process.volumes import Throughput
from collector.core.records import Quality
from collector.plant.equipment import Filter
from tests.unit.core.process.on_paper import DAY_S, HOUR_S, Bench, PaperFlow, move_state, steady

FLOW_M3_S = 3.6 / HOUR_S


def bench_of(source: PaperFlow | None = None, **keys: Any) -> tuple[Bench, FilterCycles]:
    """A filter with cleaning, vacuum pump and level contacts; 120 L/min; 3.6 m3/h unless told."""
    part = Filter.model_validate(
        {
            "kind": "filter",
            "title": "Filter",
            "cleaning": "p.cleaning",
            "vacuum_pump": "p.vacuum",
            "level": "p.level",
            "area_m2": 2.0,
            "vacuum_l_per_min": 120.0,
            **keys,
        }
    )
    flow = Throughput(steady(FLOW_M3_S) if source is None else source, 0)
    cycles = FilterCycles("filter", part, flow, 0)
    bench = Bench(flow, cycles)
    for point in cycles.points:
        bench.change(point, False, 0.0)
    return bench, cycles


def clean(bench: Bench, at_s: float, length_s: float = 160.0, vacuum_s: float = 150.0) -> None:
    """A cleaning with its vacuum pump."""
    bench.change("p.cleaning", True, at_s)
    bench.change("p.vacuum", True, at_s + 5.0)
    bench.change("p.vacuum", False, at_s + 5.0 + vacuum_s)
    bench.change("p.cleaning", False, at_s + length_s)


def test_cycles_intervals_and_volumes() -> None:
    """Cleanings two hours apart at 3.6 m3/h: interval 2 h, 7.2 m3 each, 160 s long."""
    bench, cycles = bench_of()
    for k in range(4):
        clean(bench, 1000.0 + 2 * HOUR_S * k)
    assert cycles.cleanings == 4
    assert bench.value("cleaning_interval") == pytest.approx(2 * HOUR_S)
    assert bench.value("volume_per_cleaning") == pytest.approx(7.2)
    assert bench.value("cleaning_length") == pytest.approx(160.0)
    assert bench.last("cleanings").quality is Quality.GOOD


def test_wash_water_is_rate_times_time_of_the_vacuum_pump() -> None:
    """150 s at 120 L/min are 300 L a cleaning; 12 a day of 86.4 m3 are 4.1667 % of it."""
    bench, cycles = bench_of(vacuum_tolerance_percent=10.0)
    for k in range(24):
        clean(bench, 600.0 + 2 * HOUR_S * k)
    bench.until(2 * DAY_S)
    reading = cycles.wash.reading(round(2 * DAY_S * 1e6))
    assert reading is not None
    assert (reading.value, reading.low, reading.high) == pytest.approx((7.2, 6.48, 7.92))
    assert bench.value("wash_water_share") == pytest.approx(3.6 / 86.4)
    last = bench.last("wash_water_share")
    assert (last.low, last.high) == pytest.approx((3.24 / 86.4, 3.96 / 86.4))


def test_without_a_vacuum_contact_the_whole_cycle_is_taken_and_said() -> None:
    """160 s at 120 L/min are 320 L; the figure is uncertain and says why."""
    bench, cycles = bench_of(vacuum_pump=None)
    bench.change("p.cleaning", True, 600.0)
    bench.change("p.cleaning", False, 760.0)
    bench.until(HOUR_S)
    last = bench.last("wash_water")
    assert bench.value("wash_water") == pytest.approx(0.32)
    assert (last.quality, last.reason) == (Quality.UNCERTAIN, "time of the whole cleaning taken")
    assert cycles.points == ("p.cleaning", "p.level")


def test_a_falling_volume_has_a_falling_trend() -> None:
    """Each interval 2 % shorter than the one before at the same flow: the slope is negative with
    its whole interval, and about -2 % a cleaning."""
    bench, _ = bench_of()
    at_s, step_s = 1000.0, 2 * HOUR_S
    for _ in range(25):
        clean(bench, at_s)
        at_s, step_s = at_s + step_s, step_s * 0.98
    last = bench.last("volume_per_cleaning_trend")
    assert last.low is not None
    assert last.high is not None
    assert last.high < 0.0
    middle_s = 2 * HOUR_S * 0.98**12
    assert last.value == pytest.approx(-0.02 / middle_s, rel=0.1)


def test_a_cleaning_that_does_not_end_is_said_when_its_time_is_over() -> None:
    """With a limit of 8 min: cleaning at first, endless from 480 s on, filtering when it ends."""
    bench, _ = bench_of(longest_cleaning_min=8.0)
    bench.change("p.cleaning", True, 1000.0)
    bench.until(1479.0)
    assert bench.last("cleaning_state").value == "cleaning"
    bench.until(1480.0)
    told = bench.last("cleaning_state")
    assert (told.value, told.at_us) == ("cleaning does not end", 1_480_000_000)
    bench.change("p.cleaning", False, 4000.0)
    assert bench.last("cleaning_state").value == "filtering"


def test_without_a_limit_three_times_the_usual_length_is_too_long() -> None:
    """After six cleanings of 160 s, one of 480 s does not end; before five nothing is said."""
    bench, _ = bench_of()
    for k in range(6):
        clean(bench, 1000.0 + HOUR_S * k)
    bench.change("p.cleaning", True, 30_000.0)
    bench.until(30_480.0)
    assert bench.last("cleaning_state").value == "cleaning does not end"
    fresh, _ = bench_of()
    fresh.change("p.cleaning", True, 1000.0)
    fresh.until(20_000.0)
    assert fresh.last("cleaning_state").value == "cleaning"


def test_a_cleaning_that_does_not_come_is_said_while_water_flows() -> None:
    """16 h after the last start, water flowing: it does not come. Without water it need not."""
    for source, word in ((steady(FLOW_M3_S), "cleaning does not come"), (steady(0.0), "filtering")):
        bench, _ = bench_of(source, longest_interval_h=16.0)
        clean(bench, 1000.0)
        bench.until(1000.0 + 16 * HOUR_S - 1.0)
        assert bench.last("cleaning_state").value == "filtering"
        bench.until(1000.0 + 16 * HOUR_S)
        assert bench.last("cleaning_state").value == word
        clean(bench, 20 * HOUR_S)
        assert bench.last("cleaning_state").value == "filtering"


def test_a_cleaning_that_never_came_is_said_too() -> None:
    """No cleaning in 16 h since anybody watched, and again 16 h after a gap, which may hide one."""
    bench, _ = bench_of(longest_interval_h=16.0)
    bench.until(16 * HOUR_S)
    assert bench.last("cleaning_state").value == "cleaning does not come"
    bench.lose("p", 17 * HOUR_S, 17 * HOUR_S + 5.0)
    bench.find("p", 18 * HOUR_S)
    assert bench.last("cleaning_state").value == "filtering"
    bench.until(34 * HOUR_S)
    assert bench.last("cleaning_state").value == "cleaning does not come"


def test_a_level_that_calls_in_vain_is_said_after_ten_minutes() -> None:
    """The level contact makes and no cleaning follows: said 600 s later, unsaid when it comes."""
    bench, _ = bench_of()
    bench.until(2 * HOUR_S)
    bench.change("p.level", True, 8000.0)
    bench.until(8599.0)
    assert bench.last("cleaning_state").value == "filtering"
    bench.until(8600.0)
    assert bench.last("cleaning_state").value == "cleaning does not come"
    bench.change("p.cleaning", True, 9000.0)
    assert bench.last("cleaning_state").value == "cleaning"


def test_a_gap_hides_cleanings_and_breaks_the_interval() -> None:
    """After a gap the count is at least, and no interval or volume is made up across it."""
    bench, cycles = bench_of()
    clean(bench, 1000.0)
    clean(bench, 1000.0 + 2 * HOUR_S)
    before = len(bench.told("cleaning_interval"))
    bench.lose("p", 9000.0, 9005.0)
    assert bench.last("cleaning_state").value == "unknown"
    bench.find("p", 20_000.0)
    clean(bench, 21_000.0)
    assert cycles.cleanings == 3
    assert (bench.last("cleanings").high, bench.last("cleanings").low) == (None, 3.0)
    assert len(bench.told("cleaning_interval")) == before
    clean(bench, 28_000.0)
    assert bench.value("cleaning_interval") == pytest.approx(7000.0)


def test_a_cleaning_under_way_after_a_gap_counts_when_it_ends_without_a_length() -> None:
    """Nobody saw it begin: it counts once, and its length is not told."""
    bench, cycles = bench_of()
    bench.lose("p", 1000.0, 1005.0)
    bench.change("p.cleaning", True, 2000.0)
    bench.find("p", 2000.0)
    bench.change("p.cleaning", False, 2100.0)
    assert cycles.cleanings == 1
    assert not bench.told("cleaning_length")


def test_filter_rate_is_flow_by_area() -> None:
    """3.6 m3/h over 2 m2 are 1.8 m/h."""
    bench, _ = bench_of()
    bench.until(2 * HOUR_S)
    assert bench.value("filter_rate") * HOUR_S == pytest.approx(1.8)


def test_without_a_source_volumes_and_rate_are_unknown() -> None:
    """No flow is known: the rate is None and bad, cycles and wash water are told all the same."""
    part = Filter.model_validate(
        {"kind": "filter", "title": "F", "cleaning": "p.cleaning", "area_m2": 2.0}
    )
    cycles = FilterCycles("filter", part, None, 0)
    bench = Bench(cycles)
    bench.change("p.cleaning", False, 0.0)
    for k in range(2):
        bench.change("p.cleaning", True, 1000.0 + HOUR_S * k)
        bench.change("p.cleaning", False, 1100.0 + HOUR_S * k)
    assert cycles.cleanings == 2
    assert (bench.last("filter_rate").value, bench.last("filter_rate").quality) == (
        None,
        Quality.BAD,
    )
    assert not bench.told("volume_per_cleaning")


def test_a_restart_changes_nothing() -> None:
    """Saved in the middle of a cleaning and taken back, everything goes on as it would have."""
    first, _ = bench_of(longest_cleaning_min=8.0)
    for k in range(9):
        clean(first, 1000.0 + 2 * HOUR_S * k)
    first.change("p.cleaning", True, 80_000.0)
    second, _ = bench_of(longest_cleaning_min=8.0)
    move_state(first.parts, second.parts)
    first.said.clear()
    second.said.clear()
    for bench in (first, second):
        bench.until(80_600.0)
        bench.change("p.cleaning", False, 80_700.0)
        clean(bench, 90_000.0)
        bench.until(110_000.0)
    assert first.said == second.said
    assert first.said
