"""Hour meters and start counters against our own count, worked out by hand."""

from __future__ import annotations

import pytest

from collector.core.process.counters import CounterTrack
from collector.core.process.run_check import RunCheck
from collector.core.records import Quality
from collector.core.runs import RunMeter
from collector.plant.equipment import Mixer
from tests.unit.core.process.on_paper import DAY_S, HOUR_S, Bench, move_state


def bench_of() -> tuple[Bench, RunMeter, RunCheck]:
    """A mixer with an hour meter of tenths (360 s) and a 16-bit start counter."""
    part = Mixer.model_validate(
        {
            "kind": "mixer",
            "title": "Mixer",
            "run": "p.run",
            "hour_meter": "p.hours",
            "start_counter": "p.starts",
        }
    )
    runs = RunMeter("mixer", "p.run", 0)
    hours, starts = CounterTrack(None, 360.0, 1.05), CounterTrack(65_536.0, 0.0, 1.0)
    check = RunCheck("mixer", part, runs, hours, starts, 0)
    bench = Bench(runs, check)
    for point, value in (("p.run", False), ("p.hours", 7200.0), ("p.starts", 65_530.0)):
        bench.change(point, value, 0.0)
    return bench, runs, check


def run(
    bench: Bench, at_s: float, length_s: float, meter: list[float], pace: float = 1.0,
    counted: int = 1,
) -> None:  # fmt: skip
    """A run; the panel brings its hours up to date every six minutes, its starts a minute after.

    Args:
        meter: the panel's seconds and starts; moved on.
        pace: seconds the panel counts in a second.
        counted: starts it counts.
    """
    bench.change("p.run", True, at_s)
    meter[1] = (meter[1] + counted) % 65_536
    bench.change("p.starts", meter[1], at_s + 60.0, after_s=at_s + 59.0)
    for k in range(round(length_s / 360.0)):
        meter[0] += pace * 360.0
        shown_s = at_s + 360.0 * (k + 1) - 1.0
        bench.change("p.hours", meter[0], shown_s, after_s=shown_s - 1.0)
    bench.change("p.run", False, at_s + length_s)


def week(pace: float = 1.0, counted: int = 1) -> Bench:
    """Seven days of twelve hourly runs an hour apart."""
    bench, _, _ = bench_of()
    meter = [7200.0, 65_530.0]
    for k in range(7 * 12):
        run(bench, 600.0 + 2 * HOUR_S * k, HOUR_S, meter, pace, counted)
    bench.until(7 * DAY_S)
    return bench


def test_a_right_meter_has_no_drift_across_its_rollover() -> None:
    """84 runs of an hour and starts across 65 536: both drifts hold zero, to 0.5 %."""
    bench = week()
    last = bench.last("hour_meter_drift")
    assert last.low is not None
    assert last.high is not None
    assert last.low <= 0.0 <= last.high
    assert abs(bench.value("hour_meter_drift")) < 0.005
    assert bench.value("start_counter_drift") == 0.0
    assert not bench.events("start_counter_changed")


def test_a_slow_hour_meter_drifts() -> None:
    """A meter that counts 57 min of each hour: we count 60/57 - 1 = 5.26 % more."""
    bench = week(pace=0.95)
    assert bench.value("hour_meter_drift") == pytest.approx(1 / 0.95 - 1, abs=0.005)


def test_a_dead_hour_meter_is_said_to_stand_still() -> None:
    """A meter that never moves while the machine runs: no drift in per cent, but a reason."""
    bench = week(pace=0.0)
    last = bench.last("hour_meter_drift")
    assert (last.value, last.quality) == (None, Quality.BAD)
    assert "stands still" in last.reason


def test_a_counter_that_misses_starts_drifts() -> None:
    """Starts that the panel does not count add up: 12 a day over six days compared."""
    bench = week(counted=0)
    assert bench.value("start_counter_drift") == 72.0


def test_a_gap_is_filled_from_the_panel() -> None:
    """Six hours unwatched in which the panel counted 2.5 h and three starts: that much is added,
    within the step and lateness of the meter; zero and the whole gap bound it in any case."""
    bench, runs, check = bench_of()
    meter = [7200.0, 65_530.0]
    run(bench, 600.0, HOUR_S, meter)
    bench.lose("p", 3 * HOUR_S, 3 * HOUR_S + 5.0)
    back_s = 9 * HOUR_S
    bench.change("p.hours", meter[0] + 2.5 * HOUR_S, back_s, after_s=3 * HOUR_S)
    bench.change("p.starts", (meter[1] + 3) % 65_536, back_s, after_s=3 * HOUR_S)
    bench.find("p", back_s)
    assert check.joined(round(back_s * 1e6)) is None
    bench.until(back_s + 120.0)
    reading = check.joined(round((back_s + 120.0) * 1e6))
    assert reading is not None
    assert reading.value == pytest.approx(3.5 * HOUR_S)
    assert reading.low == pytest.approx(3.5 * HOUR_S - 480.0, abs=1.0)
    assert reading.high == pytest.approx(3.5 * HOUR_S + 480.0, abs=1.0)
    assert bench.value("run_hours_joined") == pytest.approx(3.5 * HOUR_S)
    assert bench.value("starts_joined") == 4.0
    # Our own count stays what it is.
    assert runs.starts == 1
    assert runs.known_on_until(round(back_s * 1e6)) == 3_600_000_000


def test_the_panel_cannot_fill_more_than_the_gap() -> None:
    """A meter that gained 7 h in a gap of 6 h fills 6 h (its step may explain a little, not an
    hour: then it is called replaced and fills nothing)."""
    bench, _, check = bench_of()
    bench.lose("p", 3 * HOUR_S, 3 * HOUR_S + 5.0)
    bench.change("p.hours", 7200.0 + 6.1 * HOUR_S, 9 * HOUR_S, after_s=3 * HOUR_S)
    bench.find("p", 9 * HOUR_S)
    bench.until(9 * HOUR_S + 200.0)
    reading = check.joined(round((9 * HOUR_S + 200.0) * 1e6))
    assert reading is not None
    assert reading.value == pytest.approx(6 * HOUR_S)
    assert reading.high == pytest.approx(6 * HOUR_S)


def test_a_replaced_meter_is_an_event_and_compares_anew() -> None:
    """A new panel starts at 12 h: told once, and no drift is made of the step."""
    bench, _, _ = bench_of()
    meter = [7200.0, 65_530.0]
    for k in range(3 * 12):
        run(bench, 600.0 + 2 * HOUR_S * k, HOUR_S, meter)
    meter = [43_200.0, 65_530.0 + 36 - 65_536]
    bench.change("p.hours", meter[0], 3 * DAY_S + 60.0, after_s=3 * DAY_S + 59.0)
    for k in range(36, 6 * 12):
        run(bench, 600.0 + 2 * HOUR_S * k, HOUR_S, meter)
    bench.until(6 * DAY_S)
    assert [event.reason for event in bench.events("hour_meter_changed")] == ["replaced"]
    assert abs(bench.value("hour_meter_drift")) < 0.01


def test_a_restart_changes_nothing() -> None:
    """Saved inside a gap and taken back, the gap is filled as it would have been."""
    first, _, _ = bench_of()
    meter = [7200.0, 65_530.0]
    run(first, 600.0, HOUR_S, meter)
    first.lose("p", 3 * HOUR_S, 3 * HOUR_S + 5.0)
    second, _, _ = bench_of()
    move_state(first.parts, second.parts)
    first.said.clear()
    second.said.clear()
    for bench in (first, second):
        bench.change("p.hours", meter[0] + 2.5 * HOUR_S, 9 * HOUR_S, after_s=3 * HOUR_S)
        bench.find("p", 9 * HOUR_S)
        bench.until(50 * HOUR_S)
    assert first.said == second.said
    assert first.told("run_hours_joined")
