"""Wet-weather inflow: the last 24 hours and their quietest hours against the days before.

Hourly own inflow of a well (what pumps upstream sent taken off) is kept for four weeks. Rain and
infiltration add the same at all hours, so the quiet hours rise by the greater factor; more guests
multiply, and a main that runs back after each stop does so too.

Source: comparing periods for infiltration, South Dakota DENR (by quotation); the rest is common
practice, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import cast

from collector.core.component import Saved
from collector.core.diagnosis.limits import (
    PATTERN_DAYS,
    PATTERN_LEAST_DAYS,
    WET_APART,
    WET_DAY_SHARE,
    WET_NIGHT_SHARE,
    WET_SPREADS,
)
from collector.core.diagnosis.standing import Claim, Standing
from collector.core.diagnosis.wording import diagnosis, flow
from collector.core.process.telling import plain
from collector.core.records import FROZEN, Output, PointChanged
from collector.core.wells.well_flow import WellFlow

HOUR_US = 3_600_000_000
QUIET_HOURS = 6
"""Long enough for a small well to fill at least once in the night, so that the volume is known."""

LEAST_OWN_SHARE = 0.5
"""Share of a well's water that must not come from a well above."""

LEAST_KNOWN_S = 3240.0
"""Seconds of an hour that must be known for it to count."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """The last 24 hours and the median of the days before, m3 and m3/s."""

    day_m3: float
    usual_day_m3: float
    night_m3_s: float
    usual_night_m3_s: float
    wet: bool
    dry: bool
    days: int


class InflowPattern:
    """The inflow of one well.

    Args:
        title: what people call it.
        runs: run contacts of its pumps.
        flows: its estimates; told of everything before this is.
        upstream: those of the wells whose pumps lift into it.
        start_us: plant time at which watching begins.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, title: str, runs: Sequence[str], flows: WellFlow, upstream: Sequence[WellFlow],
        start_us: int, sure_us: int,
    ) -> None:  # fmt: skip
        self.name = f"{flows.well}.inflow_pattern"
        self.points = tuple(runs)
        self._title, self._flows, self._upstream = title, flows, tuple(upstream)
        self._next_us = (start_us // HOUR_US + 1) * HOUR_US
        self._before: tuple[float, float] | None = None
        self._hours: deque[float | None] = deque(maxlen=24 * PATTERN_DAYS)
        self._standing = Standing(sure_us)

    def point_changed(self, change: PointChanged) -> list[Output]:
        del change
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel
        return self._standing.withdraw(last_good_us, by_us) if reason == FROZEN else []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel, by_us
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        return self._next_us

    def wake(self, at_us: int) -> list[Output]:
        if at_us < self._next_us:
            return []
        self._next_us = (at_us // HOUR_US + 1) * HOUR_US
        look = self._flows.look(at_us)
        sent_m3, unknown_s = 0.0, look.unknown_s
        for above in self._upstream:
            other = above.look(at_us)
            sent_m3 += other.pumped_total_m3.value
            unknown_s += other.unknown_s
        # What went out and what is in there now is surer than the sum of what was thought to come.
        come_m3 = look.pumped_total_m3.value + look.volume_m3.value
        now = (come_m3 - sent_m3, unknown_s)
        if self._before is not None:
            known = now[1] - self._before[1] <= 3600.0 - LEAST_KNOWN_S
            self._hours.append(now[0] - self._before[0] if known else None)
        self._before = now
        own_m3, all_m3 = now[0], come_m3
        # Where most of the water comes from upstream, what is left over is mostly error.
        found = self.compare() if own_m3 >= LEAST_OWN_SHARE * all_m3 else None
        wet: bool | None = None
        if found is not None:
            wet = True if found.wet else False if found.dry else None
        claim = Claim(f"{self._flows.well}.wet_weather_inflow", wet, 0.0, self._tell)
        return self._standing.take([claim], at_us, at_us)

    def compare(self) -> Comparison | None:
        """The last 24 hours against the days before; None where too little is known."""
        hours = list(self._hours)
        if len(hours) < 24 * (PATTERN_LEAST_DAYS + 1):
            return None
        days = [_day(hours[k - 24 : k]) for k in range(len(hours), 23, -24)]
        last, past = days[0], [day for day in days[1:] if day is not None]
        if last is None or len(past) < PATTERN_LEAST_DAYS:
            return None
        # Weekends are not weekdays: the same day of the weeks before counts if it was the busier.
        weekly = [day for day in days[7::7] if day is not None] or past
        usual = max(median(day for day, _ in each) for each in (past, weekly))
        usual_night = max(median(night for _, night in each) for each in (past, weekly))
        spread = median(abs(day - usual) for day, _ in past)
        night_spread = median(abs(night - usual_night) for _, night in past)
        day_m3, night = last
        least = usual + WET_SPREADS * spread
        least_night = usual_night + WET_SPREADS * night_spread
        day_share = day_m3 / usual if usual > 0.0 else 1.0
        night_share = night / usual_night if usual_night > 0.0 else 1.0
        wet = (
            day_m3 > max(least, WET_DAY_SHARE * usual)
            and night > max(least_night, WET_NIGHT_SHARE * usual_night)
            and night_share > WET_APART * day_share
        )
        dry = day_share < 0.5 * (1.0 + WET_DAY_SHARE) or night_share < 0.5 * (1.0 + WET_NIGHT_SHARE)
        return Comparison(day_m3, usual, night, usual_night, wet, dry, len(past))

    def _tell(self) -> str:
        found = self.compare()
        if found is None:
            return ""
        excess_m3 = found.day_m3 - found.usual_day_m3
        return diagnosis(
            f"{self._title}: {found.day_m3:.1f} m3 came in 24 h, and at least "
            f"{flow(found.night_m3_s)} in the quietest {QUIET_HOURS} h",
            f"Usual are {found.usual_day_m3:.1f} m3 and {flow(found.usual_night_m3_s)} (median of "
            f"{found.days} days); the excess of {excess_m3:.1f} m3 comes at all hours, as "
            "infiltration and rain do",
            "the weather; in dry weather at manhole covers, a running tap, a high river",
        )  # fmt: skip

    def save(self) -> Saved:
        return {
            "next_us": self._next_us,
            "before": None if self._before is None else plain(self._before),
            "hours": plain(self._hours), "standing": self._standing.save(),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        next_us, hours, before = saved.get("next_us"), saved.get("hours"), saved.get("before")
        if not isinstance(next_us, int) or not isinstance(hours, list):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._next_us = next_us
        self._hours.clear()
        self._hours.extend(cast(list[float | None], hours))
        self._before = (before[0], before[1]) if isinstance(before, list) else None  # type: ignore[assignment]
        self._standing.restore(saved.get("standing"))


def _day(hours: Sequence[float | None]) -> tuple[float, float] | None:
    """Volume of 24 hours in m3 and mean flow of the quietest in m3/s; None if hours are missing."""
    known = [hour for hour in hours if hour is not None]
    if len(known) < 23 or len(hours) < 24:
        return None
    quiet = [
        sum(window) / (3600.0 * QUIET_HOURS)
        for k in range(len(known) - QUIET_HOURS + 1)
        if (window := known[k : k + QUIET_HOURS])
    ]
    return sum(known) * 24.0 / len(known), min(quiet)
