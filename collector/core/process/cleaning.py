"""The cleaning cycles of a cloth or disc filter, and what they say of cloth and solids.

From start to start of a cleaning: the interval, and the volume filtered in it (from the flow
estimate). Falling volume per cleaning means solids coming over or a blinded cloth; a robust slope
over the last cleanings tells that from noise. Wash water: ``wash_water.py``; cleanings that do not
end or do not come: ``cleaning_state.py``.

Filter rate: flow over area. For comparison, media filters: at most 5 gal/(min ft2), 12.2 m/h, with
one unit out of service (Utah Administrative Code R317-3-12).
"""

from __future__ import annotations

from collections import deque
from dataclasses import astuple, dataclass
from statistics import median

from collector.core.component import Reading, Saved
from collector.core.process.cleaning_state import UNKNOWN, CleaningState
from collector.core.process.contacts import Contacts, Moved
from collector.core.process.stretches import Stretches
from collector.core.process.telling import Told, plain, saved_numbers, share_of
from collector.core.process.trend import maybe_slope
from collector.core.process.volumes import (
    NO_SOURCE,
    UNKNOWN_TIME,
    Span,
    Throughput,
    Volume,
    hour_after,
)
from collector.core.process.wash_water import WashWater
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.plant.equipment import Filter

CLEANINGS_KEPT = 30
MAY_HIDE = "cleanings may hide in gaps"
NO_FLOW_KNOWN = "flow not known"


@dataclass(frozen=True, slots=True)
class Past:
    """A cleaning and the interval before it.

    Args:
        at_us: its start.
        m3, error_m3: volume filtered since the start of the one before, and half the width of its
            bounds.
    """

    at_us: int
    m3: float
    error_m3: float


class FilterCycles:
    """The cleanings of one filter.

    Args:
        name, part: from the plant file.
        flow: what passes it, or None.
        start_us: plant time at which watching begins.
    """

    def __init__(self, name: str, part: Filter, flow: Throughput | None, start_us: int) -> None:
        self.filter = name
        self.name = f"{name}.cycles"
        self._part = part
        self._flow = flow
        self._contacts = Contacts((part.cleaning, part.vacuum_pump, part.level))
        self.points = self._contacts.points
        self._cleaning = Stretches(start_us)
        self._state = CleaningState(part, self._cleaning)
        self.wash = WashWater(name, part, flow, start_us)
        self.cleanings = 0
        self._gaps = False
        self._last_us: int | None = None  # start of the last cleaning, if all since was watched
        self._last_volume: Volume | None = None
        self._past: deque[Past] = deque(maxlen=CLEANINGS_KEPT)
        self._lengths_s: deque[float] = deque(maxlen=CLEANINGS_KEPT)
        self._next_hour_us = hour_after(start_us)
        self._told = Told()

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        moved = self._contacts.take(change)
        part, found = self._part, list[Output]()
        if change.point == part.level:
            self._state.level_us = moved.at_us if moved.made else None
        if change.point == (part.vacuum_pump or part.cleaning):
            self.wash.washing.set(moved.made, moved.at_us, moved.half_us)
        if change.point == part.cleaning:
            found = self._cleaning_moved(moved, change.by_us)
        return found + self._tell_state(change.by_us, change.by_us)

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del reason
        self._contacts.lose(panel)
        self._follow(last_good_us)
        return self._tell_state(by_us, by_us)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        self._contacts.find(panel)
        self._follow(by_us)
        return self._tell_state(by_us, by_us)

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        """The next full hour, or when a cleaning has taken too long or should have come."""
        told = self._told.value(f"{self.filter}.cleaning_state")
        return min([self._next_hour_us, *self._state.turns_us(self._lengths_s, told)])

    def wake(self, at_us: int) -> list[Output]:
        found: list[Output] = []
        if at_us >= self._next_hour_us:
            self._next_hour_us = hour_after(at_us)
            found = self._hourly(at_us)
        return found + self._tell_state(at_us, at_us)

    # --- cycles ---------------------------------------------------------------------------------

    def _follow(self, at_us: int) -> None:
        """A gap begins or ends."""
        part = self._part
        cleaning = self._contacts.made(part.cleaning)
        if cleaning is None:
            self._gaps = self._gaps or self._cleaning.state is not None
            self._last_us = self._last_volume = None
        self._cleaning.set(cleaning, at_us)
        self.wash.washing.set(self._contacts.made(part.vacuum_pump or part.cleaning), at_us)
        self._state.level_us = at_us if self._contacts.made(part.level) else None
        self._state.none_since_us = None if cleaning is None else at_us

    def _cleaning_moved(self, moved: Moved, by_us: int) -> list[Output]:
        unseen = self._cleaning.begun_unseen
        length_us = self._cleaning.set(moved.made, moved.at_us, moved.half_us)
        if moved.made is None:
            self._gaps = True
            self._state.none_since_us = None
            self._last_us = self._last_volume = None
            return []
        if moved.before is None:
            self._state.none_since_us = moved.at_us
        if moved.makes:
            return self._begun(moved.at_us, by_us)
        if moved.breaks and length_us is not None:
            return self._ended(length_us / 1e6, unseen, moved.half_us, by_us)
        return []

    def _begun(self, at_us: int, by_us: int) -> list[Output]:
        found: list[Output] = []
        volume = None if self._flow is None else self._flow.now(by_us)
        if self._last_us is not None:
            interval_us = at_us - self._last_us
            found += self._tell("cleaning_interval", interval_us / 1e6, by_us)
            if self._flow is not None and volume is not None and self._last_volume is not None:
                span = self._flow.span(self._last_volume, volume, interval_us)
                found += self._volume(span, at_us, by_us)
        self._last_us, self._last_volume = at_us, volume
        self._state.none_since_us = at_us
        return found

    def _volume(self, span: Span, at_us: int, by_us: int) -> list[Output]:
        doubt = span.doubtful
        if not doubt:
            self._past.append(Past(at_us, span.m3, span.m3 - span.low_m3))
        found: list[Output] = [
            Derived(f"{self.filter}.volume_per_cleaning", span.m3,
                    Quality.UNCERTAIN if doubt else Quality.GOOD, by_us, span.low_m3, span.high_m3,
                    UNKNOWN_TIME if doubt else "")
        ]  # fmt: skip
        slope = maybe_slope(
            [(past.at_us - at_us) / 1e6 for past in self._past], [past.m3 for past in self._past]
        )
        middle_m3 = median(past.m3 for past in self._past) if self._past else 0.0
        if slope is not None and middle_m3 > 0.0:
            low, value, high = (s / middle_m3 for s in (slope.low, slope.value, slope.high))
            found += self._told.news(
                Derived(f"{self.filter}.volume_per_cleaning_trend", value, Quality.GOOD, by_us,
                        low, high),
                max(0.5 * (high - low), 0.005 / 86_400),
            )  # fmt: skip
        return found

    def _ended(self, length_s: float, unseen: bool, half_us: int, by_us: int) -> list[Output]:
        self.cleanings += 1
        found = [*self._count(by_us)]
        if unseen:
            return found
        self._lengths_s.append(length_s)
        margin_s = 2.0 * half_us / 1e6
        return found + self._tell("cleaning_length", length_s, by_us, margin_s, step=10.0)

    def _hourly(self, at_us: int) -> list[Output]:
        found: list[Output] = []
        hour = None if self._flow is None else self._flow.last_hours(1, at_us)
        self._state.flows = hour is None or not hour.mostly_known or hour.low_m3 > 0.0
        if self._part.area_m2 is not None:
            subject = f"{self.filter}.filter_rate"
            if hour is None:
                reason = NO_SOURCE if self._flow is None else NO_FLOW_KNOWN
                rate = Derived(subject, None, Quality.BAD, at_us, reason=reason)
            else:
                rate = hour.flow(subject, at_us, self._part.area_m2)
            found += self._told.news(rate, share_of(rate, 0.1))
        return found + self.wash.tell(at_us)

    # --- figures --------------------------------------------------------------------------------

    def _tell_state(self, at_us: int, by_us: int) -> list[Output]:
        word = self._state.word(self._lengths_s, at_us)
        quality = Quality.BAD if word == UNKNOWN else Quality.GOOD
        return self._told.news(Derived(f"{self.filter}.cleaning_state", word, quality, by_us))

    def readings(self, at_us: int) -> dict[str, Reading]:
        """See ``Counting``."""
        count = float(self.cleanings)
        unknown_us = self._cleaning.reading(at_us).unknown_us
        found = {
            f"{self.filter}.cleanings": Reading(count, count, count, unknown_us, bounded=False)
        }
        wash = self.wash.reading(at_us)
        if wash is not None:
            found[f"{self.filter}.wash_water"] = wash
        return found

    def _count(self, at_us: int) -> list[Output]:
        count = float(self.cleanings)
        return self._told.news(
            Derived(f"{self.filter}.cleanings", count,
                    Quality.UNCERTAIN if self._gaps else Quality.GOOD, at_us, count,
                    None if self._gaps else count, MAY_HIDE if self._gaps else "")
        )  # fmt: skip

    def _tell(
        self, quantity: str, value: float, at_us: int, margin: float = 0.0, step: float = 0.0
    ) -> list[Output]:
        figure = Derived(f"{self.filter}.{quantity}", value, Quality.GOOD, at_us)
        if margin:
            figure = Derived(figure.subject, value, Quality.GOOD, at_us, value - margin,
                             value + margin)  # fmt: skip
        return self._told.news(figure, step)

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        return {
            "contacts": self._contacts.save(), "cleaning": self._cleaning.save(),
            "wash": self.wash.save(), "told": self._told.save(),
            "cleanings": self.cleanings, "gaps": self._gaps, "last_us": self._last_us,
            "last_volume": None if self._last_volume is None else plain(astuple(self._last_volume)),
            "state": self._state.save(), "next_hour_us": self._next_hour_us,
            "past": plain(each for past in self._past for each in astuple(past)),
            "lengths_s": plain(self._lengths_s),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        cleanings, next_hour_us = saved.get("cleanings"), saved.get("next_hour_us")
        if not isinstance(cleanings, int) or not isinstance(next_hour_us, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        past = saved_numbers(saved, "past")
        lengths_s = saved_numbers(saved, "lengths_s")
        self._contacts.restore(saved.get("contacts"))
        self._cleaning.restore(saved.get("cleaning"))
        self.wash.restore(saved.get("wash"))
        self._told.restore(saved.get("told"))
        self.cleanings, self._next_hour_us = cleanings, next_hour_us
        self._gaps = bool(saved.get("gaps"))
        self._state.restore(saved.get("state"))
        last_us = saved.get("last_us")
        self._last_us = last_us if isinstance(last_us, int) else None
        self._last_volume = None
        if saved.get("last_volume") is not None:
            self._last_volume = Volume(*saved_numbers(saved, "last_volume"))
        self._past.clear()
        self._past += [Past(int(past[k]), past[k + 1], past[k + 2]) for k in range(0, len(past), 3)]
        self._lengths_s.clear()
        self._lengths_s += lengths_s
