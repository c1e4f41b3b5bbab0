"""Flow and volume meters, and the day's statistics of turbidity, residual and power, by hand."""

from __future__ import annotations

from typing import Any

import pytest

from collector.core.process.counters import CounterTrack
from collector.core.process.day_statistics import DayStatistics
from collector.core.process.volumes import Throughput
from collector.core.process.water_meter import FlowComparison, WaterMeter
from collector.core.records import Quality
from collector.plant.equipment import Meter
from tests.unit.core.process.on_paper import DAY_S, HOUR_S, Bench, move_state, steady


def meter(measures: str, **keys: Any) -> Meter:
    """A meter of a plant file."""
    return Meter.model_validate(
        {"kind": "meter", "title": "Meter", "measures": measures, "point": "p.m", **keys}
    )


def us_of(at_s: float) -> int:
    """Seconds as plant time."""
    return round(at_s * 1e6)


def test_a_flow_is_added_up_with_its_accuracy() -> None:
    """2 L/s for 1000 s, then 1 L/s for 1000 s: 3 m3, within 5 % as the file says."""
    part = WaterMeter("m", meter("flow", accuracy_percent=5.0), None, None, 0)
    bench = Bench(part)
    bench.change("p.m", 0.002, 0.0)
    bench.change("p.m", 0.001, 1000.0)
    reading = part.readings(us_of(2000.0))["volume_metered"]
    assert (reading.value, reading.low, reading.high) == pytest.approx((3.0, 2.85, 3.15))


def test_a_flow_not_read_is_unknown_up_to_the_meters_range() -> None:
    """A gap of 500 s at a range of 4 L/s may hide 2 m3; with no range nothing bounds it."""
    for most, high in ((0.004, 3.0), (None, None)):
        part = WaterMeter("m", meter("flow"), None, most, 0)
        bench = Bench(part)
        bench.change("p.m", 0.001, 0.0)
        bench.lose("p", 500.0, 505.0)
        bench.find("p", 1000.0)
        bench.until(HOUR_S)
        reading = part.readings(us_of(1500.0))["volume_metered"]
        assert reading.value == pytest.approx(1.0)
        assert reading.unknown_us == 500_000_000
        assert bench.last("volume_metered").quality is Quality.UNCERTAIN
        if high is None:
            assert not reading.bounded
            assert bench.last("volume_metered").high is None
        else:
            assert reading.high == pytest.approx(high)


def test_a_volume_counter_catches_up_after_a_gap() -> None:
    """What a counter counted while nobody read it is known when it is read again."""
    part = WaterMeter("m", meter("volume"), CounterTrack(1e6, 0.0, 1.0), None, 0)
    bench = Bench(part)
    bench.change("p.m", 999_990.0, 0.0)
    bench.lose("p", 500.0, 505.0)
    assert part.volume_until(us_of(600.0)).unknown_most_m3 == float("inf")
    bench.change("p.m", 40.0, 1000.0, after_s=500.0)
    volume = part.volume_until(us_of(1000.0))
    assert (volume.m3, volume.unknown_s, volume.unknown_most_m3) == (50.0, 0.0, 0.0)


def test_a_meter_that_reads_high_and_drifts_is_told() -> None:
    """A meter 10 % above the estimate, and 1 % more each day: ratio and slope say so."""
    metered = WaterMeter("m", meter("flow", flow_of="well"), None, None, 0)
    flow, estimate = Throughput(metered, 0), Throughput(steady(0.001, error_m3=0.0), 0)
    bench = Bench(metered, flow, estimate, FlowComparison("m", flow, estimate, 0))
    for day in range(12):
        bench.change("p.m", 0.0011 + 0.00001 * day, day * DAY_S + 0.001)
    bench.until(12 * DAY_S)
    assert bench.told("flow_ratio")[0].value == pytest.approx(1.11, abs=0.002)
    assert bench.value("flow_ratio") == pytest.approx(1.21, abs=0.005)
    slope = bench.last("flow_ratio_trend")
    assert slope.value == pytest.approx(0.01 / DAY_S, rel=0.01)
    assert slope.low is not None
    assert slope.low > 0.0


def statistics(measures: str) -> tuple[Bench, DayStatistics]:
    """Statistics of a meter on point p.m."""
    part = DayStatistics("m", meter(measures), 0)
    return Bench(part), part


def test_a_day_of_turbidity_is_weighed_by_time() -> None:
    """1 NTU for 18 h, 3 NTU for 4.8 h and 6 NTU for 1.2 h: mean 1.65, 5 % above 5, greatest 6."""
    bench, _ = statistics("turbidity")
    bench.change("p.m", 1.0, 0.0)
    bench.change("p.m", 3.0, 18 * HOUR_S)
    bench.change("p.m", 6.0, 22.8 * HOUR_S)
    bench.until(DAY_S)
    assert bench.value("turbidity_day") == pytest.approx(1.65)
    assert bench.value("turbidity_above_5_day") == pytest.approx(0.05)
    assert bench.value("turbidity_greatest_day") == 6.0
    assert bench.last("turbidity_day").quality is Quality.GOOD
    bench.change("p.m", 1.0, DAY_S + 1.0)
    bench.until(2 * DAY_S + HOUR_S)
    assert bench.value("turbidity_above_5_day") == 0.0
    assert bench.value("turbidity_day") == pytest.approx(1.0, abs=1e-3)  # a second at 6 NTU


def test_time_not_read_is_no_clear_water() -> None:
    """12 h at 2 NTU known, 12 h not: the mean is that of the known time, uncertain, and up to half
    of the day may have been above 5 NTU."""
    bench, _ = statistics("turbidity")
    bench.change("p.m", 2.0, 0.0)
    bench.lose("p", 12 * HOUR_S, 12 * HOUR_S + 5.0)
    bench.until(DAY_S)
    share = bench.last("turbidity_above_5_day")
    assert bench.value("turbidity_day") == pytest.approx(2.0)
    assert bench.last("turbidity_day").quality is Quality.UNCERTAIN
    assert share.low == 0.0
    assert share.high == pytest.approx(0.5)
    bench.until(2 * DAY_S)
    assert (bench.last("turbidity_day").value, bench.last("turbidity_day").quality) == (
        None,
        Quality.BAD,
    )


def test_the_least_residual_of_a_day() -> None:
    """2 mg/L but for an hour at 0.5 mg/L: the least is 0.5, the mean 1.9375."""
    bench, _ = statistics("residual")
    bench.change("p.m", 0.002, 0.0)
    bench.change("p.m", 0.0005, 6 * HOUR_S)
    bench.change("p.m", 0.002, 7 * HOUR_S)
    bench.until(DAY_S)
    assert bench.value("residual_least_day") == 0.0005
    assert bench.value("residual_day") == pytest.approx(0.0019375)


def test_power_adds_up_to_energy() -> None:
    """3 kW for two hours are 6 kWh; unknown time leaves the top open."""
    bench, part = statistics("power")
    bench.change("p.m", 3000.0, 0.0)
    bench.until(2 * HOUR_S)
    assert bench.value("energy_used") == pytest.approx(6.0 * 3.6e6)
    bench.lose("p", 2 * HOUR_S, 2 * HOUR_S + 5.0)
    bench.until(4 * HOUR_S)
    assert bench.last("energy_used").high is None
    assert part.readings(us_of(4 * HOUR_S))["m.energy_used"].unknown_us == 7_200_000_000


@pytest.mark.parametrize(
    ("measures", "before", "after"),
    [("turbidity", 2.0, 7.0), ("residual", 0.002, 0.001), ("power", 2000.0, 7000.0)],
)
def test_statistics_survive_a_restart(measures: str, before: float, after: float) -> None:
    """Saved and taken back within an hour and a gap, the same is told from then on."""
    first, _ = statistics(measures)
    first.change("p.m", before, 0.0)
    first.lose("p", 12.2 * HOUR_S, 12.2 * HOUR_S + 5.0)
    first.until(14.5 * HOUR_S)
    second, _ = statistics(measures)
    move_state(first.parts, second.parts)
    first.said.clear()
    for bench in (first, second):
        bench.find("p", 14.8 * HOUR_S)
        bench.change("p.m", after, 16.3 * HOUR_S)
        bench.until(30 * HOUR_S)
    assert first.said == second.said
    assert first.said


def test_a_water_meter_survives_a_restart() -> None:
    """Saved in a gap and taken back, the volume goes on."""

    def fresh() -> Bench:
        return Bench(WaterMeter("m", meter("flow"), None, 0.004, 0))

    first, second = fresh(), fresh()
    first.change("p.m", 0.002, 0.0)
    first.lose("p", 500.0, 505.0)
    move_state(first.parts, second.parts)
    first.said.clear()
    for bench in (first, second):
        bench.find("p", 900.0)
        bench.until(3 * HOUR_S)
    assert first.said == second.said
    assert first.said
