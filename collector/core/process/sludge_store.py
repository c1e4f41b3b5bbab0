"""How full a sludge store is, by what people entered of wasting and haulage, and how long it lasts.

Nothing measures it; a contact near the brim, where there is one, has an alarm of its own. So the
bounds are kept and the figure follows from them: every wasting adds, every haul takes away, a
reading of the fill sets it. A haul proves that at least so much was there. At the beginning the
store may be anything between empty and full; after some hauls the bounds close by themselves.
Volumes that tankers and timed valves give are taken as good to ten per cent (common practice, no
source). Thickening, by which water leaves the store, is not seen: a store that is decanted is
emptier than told, until somebody enters a reading of its fill.
"""

from __future__ import annotations

from collector.core.component import Saved
from collector.core.logbook import Entry
from collector.core.process.telling import Told, plain
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.plant.equipment import SludgeStore

VOLUME_TOLERANCE = 0.1
CLOSE_ENOUGH = 0.5
"""Share of the store's volume by which the bounds may differ for a figure to be told."""
RATE_OVER_US = 90 * 86_400_000_000
"""The rate of filling is that of the last quarter of a year; sludge grows slowly."""
LEAST_RATE_US = 7 * 86_400_000_000
DAY_US = 86_400_000_000
NO_ENTRIES = "no entry of wasting or haulage"
TOO_WIDE = "the entries do not yet say how full it was at the beginning"


class SludgeFill:
    """The fill of one sludge store.

    Args:
        name, part: from the plant file.
    """

    def __init__(self, name: str, part: SludgeStore) -> None:
        self.name = f"{name}.fill"
        self.equipment = name
        self.points: tuple[str, ...] = ()  # no contact says how much is in it
        self._volume_m3 = part.volume_m3
        self._low_m3, self._high_m3 = 0.0, part.volume_m3
        self._entered = False
        self._rates: tuple[float, float] | None = None  # m3/s, least and greatest
        self._last_us = 0
        self._told = Told()

    # --- what comes in --------------------------------------------------------------------------

    def entries_stand(self, entries: list[Entry], at_us: int) -> list[Output]:
        """Go through all that was entered, from the first entry on."""
        low, high = 0.0, self._volume_m3
        self._entered = False
        wasted: list[tuple[int, float]] = []
        for entry in entries:
            moved = entry.figure("volume_m3")
            if entry.verb == "wasting" and moved is not None:
                low += moved * (1.0 - VOLUME_TOLERANCE)
                high += moved * (1.0 + VOLUME_TOLERANCE)
                wasted.append((entry.done_us, moved))
            elif entry.verb == "haul" and moved is not None:
                low = max(low, moved * (1.0 - VOLUME_TOLERANCE)) - moved * (1.0 + VOLUME_TOLERANCE)
                high -= moved * (1.0 - VOLUME_TOLERANCE)
            elif entry.verb == "reading" and entry.details.get("of") == "fill":
                read = entry.figure("value")
                if read is None or entry.details.get("unit") != "m3":
                    continue
                slack = self._volume_m3 * 0.02
                low, high = read - slack, read + slack
            else:
                continue
            low = min(max(low, 0.0), self._volume_m3)
            high = min(max(high, low), self._volume_m3)
            self._entered, self._last_us = True, entry.done_us
        self._low_m3, self._high_m3 = low, high
        self._rates = _rates(wasted, at_us)
        return self._tell(at_us)

    def point_changed(self, change: PointChanged) -> list[Output]:
        """See ``Component``; it has no points."""
        del change
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        """What people entered stands."""
        del panel, reason, last_good_us, by_us
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        """What people entered stands."""
        del panel, by_us
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        """How long the room lasts shrinks while nothing is entered."""
        del known_us
        return self._tell(at_us)

    # --- what follows ---------------------------------------------------------------------------

    def _tell(self, at_us: int) -> list[Output]:
        if not self._entered:
            return []
        low, high = self._low_m3, self._high_m3
        close = high - low <= CLOSE_ENOUGH * self._volume_m3
        value = (low + high) / 2.0 if close else None
        quality = Quality.UNCERTAIN if close else Quality.BAD
        why = "" if close else TOO_WIDE
        share = None if value is None else value / self._volume_m3
        found = self._told.news(
            Derived(f"{self.equipment}.sludge_fill", value, quality, at_us, low, high, why)
        )
        found += self._told.news(
            Derived(f"{self.equipment}.sludge_fill_share", share, quality, at_us,
                    low / self._volume_m3, high / self._volume_m3, why)
        )  # fmt: skip
        return found + self._tell_room(at_us, value)

    def _tell_room(self, at_us: int, value_m3: float | None) -> list[Output]:
        """Time until full at the recent rate of wasting, from the last entry on."""
        if self._rates is None:
            return []
        slowest, fastest = self._rates
        passed_s = (at_us - self._last_us) / 1e6
        room_low, room_high = self._volume_m3 - self._high_m3, self._volume_m3 - self._low_m3
        low_s = max(0.0, room_low / fastest - passed_s)
        high_s = max(0.0, room_high / slowest - passed_s)
        lasts: float | None = None
        if value_m3 is not None:
            middle = (slowest + fastest) / 2.0
            lasts = max(low_s, (self._volume_m3 - value_m3) / middle - passed_s)
        figure = Derived(
            f"{self.equipment}.sludge_room_lasts", lasts,
            Quality.UNCERTAIN if lasts is not None else Quality.BAD, at_us, low_s, high_s,
            "" if lasts is not None else TOO_WIDE,
        )  # fmt: skip
        return self._told.news(figure, step=DAY_US / 1e6)

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "low_m3": self._low_m3, "high_m3": self._high_m3,
            "entered": self._entered, "last_us": self._last_us, "told": self._told.save(),
            "rates": None if self._rates is None else plain(self._rates),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        """Take back a state from ``save``."""
        rates = saved.get("rates")
        try:
            self._low_m3, self._high_m3 = _number(saved["low_m3"]), _number(saved["high_m3"])
            self._last_us, self._entered = int(_number(saved["last_us"])), bool(saved["entered"])
            self._rates = (
                (_number(rates[0]), _number(rates[1])) if isinstance(rates, list) else None
            )
        except (KeyError, IndexError) as error:
            raise ValueError(f"no saved state of a sludge store: {error}") from error
        self._told.restore(saved.get("told"))


def _rates(wasted: list[tuple[int, float]], at_us: int) -> tuple[float, float] | None:
    """Least and greatest rate of filling, m3/s, over the last quarter of a year.

    Of n wastings n - 1 gaps are known, and the time since the last may hide one that was not
    entered: the rate lies between n - 1 and n + 1 wastings of the time, within their tolerance.
    """
    recent = [(done_us, m3) for done_us, m3 in wasted if done_us > at_us - RATE_OVER_US]
    if len(recent) < 2:
        return None
    span_us = max(at_us - recent[0][0], LEAST_RATE_US)
    total = sum(m3 for _, m3 in recent)
    each = total / len(recent)
    slowest = (total - each) * (1.0 - VOLUME_TOLERANCE)
    fastest = (total + each) * (1.0 + VOLUME_TOLERANCE)
    return slowest / (span_us / 1e6), fastest / (span_us / 1e6)


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"a saved figure is {value!r}")
    return float(value)
