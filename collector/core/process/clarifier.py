"""Surface overflow rate of a clarifier: flow over area, over the last full hour and 24 hours.

For comparison, activated sludge: 24.4 m/d on average, 48.9 m/d at peak (Wyoming Water Quality Rules
ch. 11 s. 17; the table was read partly garbled).
"""

from __future__ import annotations

from collector.core.component import Saved
from collector.core.process.telling import Told, share_of
from collector.core.process.volumes import NO_SOURCE, NOT_WATCHED, Throughput, hour_after
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.plant.equipment import Clarifier


class OverflowRate:
    """One clarifier.

    Args:
        name, part: from the plant file.
        flow: what passes it, or None.
        start_us: plant time at which watching begins.
    """

    points: tuple[str, ...] = ()

    def __init__(self, name: str, part: Clarifier, flow: Throughput | None, start_us: int) -> None:
        self.clarifier = name
        self.name = f"{name}.rate"
        self._area_m2 = part.area_m2
        self._flow = flow
        self._next_us = hour_after(start_us)
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
        self._next_us = hour_after(at_us)
        found: list[Output] = []
        for quantity, hours in (("overflow_rate", 1), ("overflow_rate_day", 24)):
            subject = f"{self.clarifier}.{quantity}"
            span = None if self._flow is None else self._flow.last_hours(hours, at_us)
            if span is not None:
                rate = span.flow(subject, at_us, self._area_m2)
            else:
                why = NO_SOURCE if self._flow is None else NOT_WATCHED
                rate = Derived(subject, None, Quality.BAD, at_us, reason=why)
            found += self._told.news(rate, share_of(rate, 0.05))
        return found

    def save(self) -> Saved:
        return {"next_us": self._next_us, "told": self._told.save()}

    def restore(self, saved: Saved) -> None:
        next_us = saved.get("next_us")
        if not isinstance(next_us, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._next_us = next_us
        self._told.restore(saved.get("told"))
