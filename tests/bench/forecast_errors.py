"""How well due dates are forecast on simulated parks: ``python -m tests.bench.forecast_errors``.

Twenty catchments of the simulator (seasons, weekdays, rain, bursts) give the water of each day; a
pump that moves it runs so many hours. Half a year is watched after a spring, or a whole year, of
history. Each time its interval is used up, the forecasts of 30, 14 and 3 days before are compared
with the day on which that was so: mean and root mean square error in days, how often the day lay in
the range, and the error of a straight line from a month ago.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random

from collector.core.service.forecast import DayUse, forecast
from simulator.demand import Catchment, CatchmentFacts, Weather

PLANTS = 20
WATCHED_DAYS = 182
BEFORE_DAYS = (30, 14, 3)
PUMP_M3_PER_H = 14.0


@dataclass
class Errors:
    """What was found at one distance."""

    ours: list[float] = field(default_factory=list)
    line: list[float] = field(default_factory=list)
    inside: int = 0
    without: int = 0


def days_of(seed: int, first: date, count: int) -> list[float]:
    """Run hours of each day of one simulated park."""
    rng = Random(seed)
    facts = CatchmentFacts(
        20.0 + 40.0 * rng.random(), 0.1 * rng.random(), 100.0 + 400.0 * rng.random(), 8.0
    )
    weather, catchment = Weather(Random(seed + 1)), Catchment(facts, Random(seed + 2))
    found = []
    for number in range(count):
        day = first + timedelta(days=number)
        volume_m3 = 0.0
        for minute in range(1440):
            weather.step()
            flow = catchment.step(minute, day.weekday(), day.timetuple().tm_yday, weather)
            volume_m3 += flow * 60.0
        found.append(volume_m3 / PUMP_M3_PER_H)
    return found


def measure(history_days: int) -> dict[int, Errors]:
    """Forecast on all parks.

    Args:
        history_days: known before the half year begins.
    """
    errors = {before: Errors() for before in BEFORE_DAYS}
    for plant in range(PLANTS):
        first = date(2024, 1, 1) + timedelta(days=37 * plant)
        used = days_of(1_000 + 10 * plant, first, history_days + WATCHED_DAYS + 60)
        known = [
            DayUse(first.toordinal() + number, hours, hours, hours)
            for number, hours in enumerate(used)
        ]
        interval = sum(used) / len(used) * (33.0 + plant)  # five dates or so in half a year
        begin = history_days
        while True:
            left, end = interval, begin
            while end < len(used) and left > used[end]:
                left -= used[end]
                end += 1
            if end >= history_days + WATCHED_DAYS:
                break
            truth = end + left / used[end] if used[end] else float(end)
            for before in BEFORE_DAYS:
                asked = end - before
                if asked >= begin:
                    _one(errors[before], known[:asked], used[begin:asked], interval, truth, asked)
            begin = end + 1
    return errors


def _one(
    errors: Errors, known: list[DayUse], since: list[float], interval: float, truth: float,
    asked: int,
) -> None:  # fmt: skip
    left = interval - sum(since)
    found = forecast(known, known[-1].day + 1, left, left)
    if found is None or found.likely is None:
        errors.without += 1
        return
    wanted = truth - asked
    errors.ours.append(found.likely - wanted)
    late = found.late if found.late is not None else math.inf
    errors.inside += (found.early or 0.0) <= wanted <= late
    month = known[-30:]
    errors.line.append(left / (sum(day.value for day in month) / len(month)) - wanted)


def rms(values: list[float]) -> float:
    """Root mean square."""
    return math.sqrt(sum(value * value for value in values) / len(values))


def main() -> None:
    """Print the table."""
    print("history  before  dates  mean d  rms d  worst d  in range  straight line rms d")
    for history_days in (60, 400):
        for before, errors in measure(history_days).items():
            ours = errors.ours
            print(
                f"{history_days:7d} {before:7d} {len(ours):6d} {sum(ours) / len(ours):+7.2f} "
                f"{rms(ours):6.2f} {max(map(abs, ours)):8.2f} "
                f"{100.0 * errors.inside / len(ours):8.0f}% {rms(errors.line):12.2f}"
            )


if __name__ == "__main__":
    main()
