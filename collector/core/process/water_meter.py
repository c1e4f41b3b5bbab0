"""A flow or volume meter: the volume that passed it, and its ratio to the estimate from floats.

A flow is held from reading to reading and added up; a volume counter's growth is taken. The ratio
to what the pumps of its well sent by the estimate is told over 24 hours, and the robust slope of
the daily ratios over a month: a meter that drifts, or a pump whose estimate does.
"""

from __future__ import annotations

from collections import deque

from collector.core.component import Reading, Saved
from collector.core.process.counters import ROLLED_OVER, CounterTrack
from collector.core.process.telling import Told, plain, saved_numbers
from collector.core.process.trend import maybe_slope
from collector.core.process.volumes import (
    NEGLIGIBLE_US,
    UNKNOWN_TIME,
    Throughput,
    Volume,
    hour_after,
)
from collector.core.records import Derived, Event, Output, PointChanged, Quality
from collector.plant.equipment import Meter

DAY_US = 86_400_000_000
DAYS_KEPT = 30
MOST_M3_PER_S = 1.0
"""More than any small works ever sees: a counter that grew faster was replaced (our choice)."""


class WaterMeter:
    """One meter of flow or volume; a source of flow.

    Args:
        name, part: from the plant file.
        counter: its track, where it measures volume; None where it measures flow.
        most_m3_s: the highest flow it can show, or None.
        start_us: plant time at which watching begins.
    """

    def __init__(
        self, name: str, part: Meter, counter: CounterTrack | None, most_m3_s: float | None,
        start_us: int,
    ) -> None:  # fmt: skip
        self.name = name
        self.points = (part.point,)
        self.share = (part.accuracy_percent or 0.0) / 200.0  # stated as a bound, two errors
        self._counter = counter
        self._most_m3_s = most_m3_s
        self._flow_m3_s: float | None = None
        self._before: float | None = None
        self._m3 = 0.0
        self._unknown_us = 0
        self._counted_us = start_us
        self._next_us = hour_after(start_us)
        self._told = Told()

    def point_changed(self, change: PointChanged) -> list[Output]:
        good = change.quality is not Quality.BAD and isinstance(change.value, int | float)
        if not good:
            self._count(change.after_us)
            self._flow_m3_s = self._before = None
            return []
        value = float(change.value or 0.0)
        if self._counter is None:
            # The reading moved somewhere in its bracket; a gap ends where it is read again.
            middle_us = (change.after_us + change.by_us) // 2
            self._count(middle_us if self._flow_m3_s is not None else change.by_us)
            self._flow_m3_s, self._before = value, None
            return []
        self._count(change.by_us)
        self._flow_m3_s, self._before = 0.0, None
        word = self._counter.read(value, change.after_us, change.by_us)
        if word in ("", ROLLED_OVER):
            return []
        subject = f"{self.name}.counter_changed"
        return [Event(subject, change.after_us, change.by_us, reason=word)]

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel, reason, by_us
        self._count(last_good_us)
        if self._flow_m3_s is not None:
            self._before, self._flow_m3_s = self._flow_m3_s, None
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel
        if self._flow_m3_s is None and self._before is not None:
            self._count(by_us)
            self._flow_m3_s, self._before = self._before, None
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        return self._next_us

    def wake(self, at_us: int) -> list[Output]:
        self._next_us = hour_after(at_us)
        reading = self.readings(at_us)["volume_metered"]
        doubt = reading.unknown_us > NEGLIGIBLE_US
        figure = Derived(
            f"{self.name}.volume_metered", reading.value,
            Quality.UNCERTAIN if doubt else Quality.GOOD, at_us, reading.low,
            reading.high if reading.bounded else None, UNKNOWN_TIME if doubt else "",
        )  # fmt: skip
        return self._told.news(figure, 0.1)

    def volume_until(self, at_us: int) -> Volume:
        """See ``FlowSource``."""
        span_us = max(0, at_us - self._counted_us)
        if self._counter is not None:
            # What a counter counted while it was not read is known as soon as it is read again.
            unread_us = span_us if self._flow_m3_s is None else 0
            most = self._counter.doubt + (float("inf") if unread_us else 0.0)
            return Volume(self._counter.grown, 0.0, unread_us / 1e6, most)
        flowed_m3 = 0.0 if self._flow_m3_s is None else self._flow_m3_s * span_us / 1e6
        unknown_s = (self._unknown_us + (span_us if self._flow_m3_s is None else 0)) / 1e6
        most_m3_s = float("inf") if self._most_m3_s is None else self._most_m3_s
        most = unknown_s * most_m3_s if unknown_s else 0.0
        return Volume(self._m3 + flowed_m3, 0.0, unknown_s, most)

    def readings(self, at_us: int) -> dict[str, Reading]:
        """See ``Counting``."""
        volume, off = self.volume_until(at_us), 2.0 * self.share
        bounded = volume.unknown_most_m3 != float("inf")
        most = volume.unknown_most_m3 if bounded else 0.0
        return {
            "volume_metered": Reading(
                volume.m3, volume.m3 * (1.0 - off), volume.m3 * (1.0 + off) + most,
                round(volume.unknown_s * 1e6), bounded=bounded,
            )
        }  # fmt: skip

    def _count(self, at_us: int) -> None:
        span_us = max(0, at_us - self._counted_us)
        if self._flow_m3_s is None:
            self._unknown_us += span_us
        elif self._counter is None:
            self._m3 += self._flow_m3_s * span_us / 1e6
        self._counted_us = max(self._counted_us, at_us)

    _KEPT = ("_flow_m3_s", "_before", "_m3", "_unknown_us", "_counted_us", "_next_us")

    def save(self) -> Saved:
        saved: Saved = {name.lstrip("_"): getattr(self, name) for name in self._KEPT}
        saved["counter"] = None if self._counter is None else self._counter.save()
        saved["told"] = self._told.save()
        return saved

    def restore(self, saved: Saved) -> None:
        if any(name.lstrip("_") not in saved for name in self._KEPT):
            raise ValueError(f"the saved state of {self.name} is of another form")
        if self._counter is not None:
            self._counter.restore(saved.get("counter"))
        self._told.restore(saved.get("told"))
        for name in self._KEPT:
            setattr(self, name, saved[name.lstrip("_")])


class FlowComparison:
    """A meter against the estimate of the well whose pumps send its water.

    Args:
        name: of the meter.
        metered, estimated: the volumes of both.
        start_us: plant time at which watching begins.
    """

    points: tuple[str, ...] = ()

    def __init__(
        self, name: str, metered: Throughput, estimated: Throughput, start_us: int
    ) -> None:
        self.meter = name
        self.name = f"{name}.comparison"
        self._metered, self._estimated = metered, estimated
        self._days: deque[tuple[int, float]] = deque(maxlen=DAYS_KEPT)
        self._next_us = (start_us // DAY_US + 1) * DAY_US
        self._told = Told()

    def point_changed(self, change: PointChanged) -> list[Output]:
        del change
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel, reason, last_good_us, by_us
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel, by_us
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        return self._next_us

    def wake(self, at_us: int) -> list[Output]:
        self._next_us = at_us + DAY_US
        metered = self._metered.last_hours(24, at_us)
        estimated = self._estimated.last_hours(24, at_us)
        if metered is None or estimated is None or estimated.low_m3 <= 0.0:
            return []
        if metered.unknown_s or estimated.unknown_s:
            return []  # two figures with different gaps say nothing of each other
        ratio = metered.m3 / estimated.m3
        low = metered.low_m3 / (estimated.high_m3 or estimated.m3)
        high = (metered.high_m3 or metered.m3) / estimated.low_m3
        self._days.append((at_us, ratio))
        found = self._told.news(
            Derived(f"{self.meter}.flow_ratio", ratio, Quality.GOOD, at_us, low, high), 0.01
        )
        slope = maybe_slope(
            [(day_us - at_us) / 1e6 for day_us, _ in self._days], [each for _, each in self._days]
        )
        if slope is None:
            return found
        return found + self._told.news(
            Derived(f"{self.meter}.flow_ratio_trend", slope.value, Quality.GOOD, at_us, slope.low,
                    slope.high),
            max(0.25 * (slope.high - slope.low), 0.0005 / 86_400),
        )  # fmt: skip

    def save(self) -> Saved:
        days = plain(each for day in self._days for each in day)
        return {"days": days, "next_us": self._next_us, "told": self._told.save()}

    def restore(self, saved: Saved) -> None:
        days, next_us = saved_numbers(saved, "days"), saved.get("next_us")
        if not isinstance(next_us, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._next_us = next_us
        self._told.restore(saved.get("told"))
        self._days.clear()
        self._days += [(int(days[k]), days[k + 1]) for k in range(0, len(days), 2)]
