"""Wash water of a filter: the rate of its vacuum pump times the time it ran, and its share.

Where the pump has no contact of its own the time of the whole cleaning is taken, which is too much,
and the record says so. The share is of what was filtered in the same 24 hours, by the flow
estimate; no source for a normal share was found, so a limit is the owner's.
"""

from __future__ import annotations

from collections import deque

from collector.core.component import Reading, Saved
from collector.core.process.stretches import Stretches
from collector.core.process.telling import Told, plain, saved_numbers, share_of
from collector.core.process.volumes import (
    HOUR_US,
    HOURS_KEPT,
    NEGLIGIBLE_US,
    UNKNOWN_TIME,
    Throughput,
)
from collector.core.records import Derived, Output, Quality
from collector.plant.equipment import Filter

WHOLE_CYCLE = "time of the whole cleaning taken"


class WashWater:
    """The wash water of one filter.

    Args:
        name, part: from the plant file.
        flow: what passes the filter, or None.
        start_us: plant time at which watching begins.

    Attributes:
        washing: the time during which water is drawn off.
    """

    def __init__(self, name: str, part: Filter, flow: Throughput | None, start_us: int) -> None:
        self.washing = Stretches(start_us)
        self._filter = name
        self._whole_cycle = part.vacuum_pump is None
        self._rate_m3_s = (part.vacuum_l_per_min or 0.0) / 60_000.0
        self._off = (part.vacuum_tolerance_percent or 0.0) / 100.0
        self._flow = flow
        self._hours: deque[tuple[int, float]] = deque(maxlen=HOURS_KEPT + 1)
        self._told = Told()

    def reading(self, at_us: int) -> Reading | None:
        """Wash water since watching began, m3; None if its rate is not given."""
        rate = self._rate_m3_s
        if not rate:
            return None
        time = self.washing.reading(at_us)
        return Reading(
            time.value * rate, time.low * rate * (1.0 - self._off),
            time.high * rate * (1.0 + self._off), time.unknown_us, time.edge * rate,
        )  # fmt: skip

    def tell(self, at_us: int) -> list[Output]:
        """Wash water in all, and its share of what was filtered, at a full hour."""
        reading = self.reading(at_us)
        if reading is None:
            return []
        self._hours.append((at_us, reading.value))
        unknown = UNKNOWN_TIME if reading.unknown_us > NEGLIGIBLE_US else ""
        why = WHOLE_CYCLE if self._whole_cycle else unknown
        found = self._told.news(
            Derived(f"{self._filter}.wash_water", reading.value,
                    Quality.UNCERTAIN if why else Quality.GOOD, at_us, reading.low, reading.high,
                    why)
        )  # fmt: skip
        return found + self._share(reading.value, at_us)

    def _share(self, washed_m3: float, at_us: int) -> list[Output]:
        day = None if self._flow is None else self._flow.last_hours(24, at_us)
        begin_us = at_us - 24 * HOUR_US
        washed = [washed_m3 - m3 for sample_us, m3 in self._hours if sample_us == begin_us]
        if day is None or not washed or not day.mostly_known or day.low_m3 <= 0.0:
            return []
        high = washed[0] * (1.0 + self._off) / day.low_m3
        low = 0.0 if day.high_m3 is None else washed[0] * (1.0 - self._off) / day.high_m3
        why = WHOLE_CYCLE if self._whole_cycle else UNKNOWN_TIME if day.doubtful else ""
        share = Derived(
            f"{self._filter}.wash_water_share", washed[0] / day.m3,
            Quality.UNCERTAIN if why else Quality.GOOD, at_us, low, high, why,
        )  # fmt: skip
        return self._told.news(share, share_of(share, 0.05))

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "washing": self.washing.save(), "told": self._told.save(),
            "hours": plain(each for sample in self._hours for each in sample),
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        hours = saved_numbers(saved, "hours")
        assert isinstance(saved, dict)  # or there would be no numbers in it
        self.washing.restore(saved.get("washing"))
        self._told.restore(saved.get("told"))
        self._hours.clear()
        self._hours += [(int(hours[k]), hours[k + 1]) for k in range(0, len(hours), 2)]
