"""How much sewage arrives, minute by minute: guests, groundwater and rain.

All shapes and figures are invented for the scenario. Flow is constant within a minute.

* Guests: season (day of the year) times weekday times the hour's share of the day (two peaks, later
  ones at the weekend) times a smooth random factor, plus bursts (a shower block after the beach, an
  emptied paddling pool).
* Groundwater: a small steady seepage that follows the season.
* Rain: spells of rain fill two linear reservoirs, a quick and a slow one, whose outflow enters the
  sewers: it rises within the hour and recedes over days.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

STEP_S = 60.0


def gaussian(rng: Random) -> float:
    """A nearly normal figure from uniform ones alone, so that it is the same in every version."""
    draw = rng.random
    return (draw() + draw() + draw() + draw() - 2.0) * 1.7320508075688772


def _day_shape(peaks: tuple[tuple[float, float, float], ...], floor: float) -> list[float]:
    """1440 factors with mean one: ``floor`` plus bells (hour, width in hours, height)."""
    shape = []
    total = 0.0
    for minute in range(1440):
        hour = minute / 60.0
        value = floor
        for centre, width, height in peaks:
            away = (hour - centre + 12.0) % 24.0 - 12.0
            value += height * math.exp(-((away / width) ** 2))
        shape.append(value)
        total += value  # not sum(): Python 3.12 began to round it differently
    return [value / (total / 1440.0) for value in shape]


WORKDAY = _day_shape(((8.0, 1.4, 1.0), (18.8, 2.3, 0.85), (13.0, 2.0, 0.3)), 0.13)
WEEKEND = _day_shape(((9.6, 1.9, 1.0), (19.2, 2.6, 0.8), (14.0, 2.2, 0.35)), 0.17)
OF_WEEKDAY = (0.90, 0.86, 0.88, 0.93, 1.10, 1.22, 1.11)


def season(day_of_year: int) -> float:
    """Share of the high-season guests, 0.2 in winter to 1 in late July."""
    away = (day_of_year - 205 + 183) % 366 - 183
    spring = (day_of_year - 105 + 183) % 366 - 183
    return min(
        1.0, 0.2 + 0.8 * math.exp(-((away / 52.0) ** 2)) + 0.25 * math.exp(-((spring / 9.0) ** 2))
    )


class Weather:
    """Rain for the whole site; one step a minute.

    Attributes:
        rain_mm_per_h: of the present minute.
        quick, slow: outflow of the two reservoirs, in mm/h of rain.
    """

    QUICK_S = 1.2 * 3600.0
    SLOW_S = 34.0 * 3600.0

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self.rain_mm_per_h = 0.0
        self.quick = 0.0
        self.slow = 0.0
        self._dry_steps = self._draw_dry()
        self._wet_steps = 0
        self._strength = 0.0

    def _draw_dry(self) -> int:
        return 60 + int(-math.log(1.0 - self._rng.random()) * 3.6 * 1440.0)

    def step(self) -> None:
        """Go on by a minute."""
        if self._wet_steps:
            self._wet_steps -= 1
            self.rain_mm_per_h = self._strength * (0.3 + 1.4 * self._rng.random())
        elif self._dry_steps:
            self._dry_steps -= 1
            self.rain_mm_per_h = 0.0
        else:
            # Short spells are showers and thunderstorms, long ones drizzle.
            self._wet_steps = 30 + int(self._rng.random() ** 2 * 570.0)
            drizzle = 0.3 - 0.9 * math.log(1.0 - self._rng.random())
            self._strength = drizzle * (1.0 + 7.0 * math.exp(-self._wet_steps / 70.0))
            self._dry_steps = self._draw_dry()
        self.quick += (self.rain_mm_per_h - self.quick) * (STEP_S / self.QUICK_S)
        self.slow += (self.rain_mm_per_h - self.slow) * (STEP_S / self.SLOW_S)


@dataclass(frozen=True, slots=True)
class CatchmentFacts:
    """One catchment.

    Args:
        guests_m3_d: sewage of a high-season average day.
        seepage_l_s: groundwater in winter.
        rain_m2: area whose rain finds its way in, quickly and slowly together.
        bursts_per_day: in high season.
    """

    guests_m3_d: float
    seepage_l_s: float
    rain_m2: float
    bursts_per_day: float


class Catchment:
    """What flows from one part of the park; one step a minute."""

    def __init__(self, facts: CatchmentFacts, rng: Random) -> None:
        self.facts = facts
        self._rng = rng
        self._smooth = 0.0
        self._burst_steps = 0
        self._burst_l_s = 0.0
        self._day = -1
        self._day_factor = 1.0

    def step(self, minute_of_day: int, weekday: int, day_of_year: int, weather: Weather) -> float:
        """Flow of the coming minute in m3/s.

        Args:
            minute_of_day, weekday, day_of_year: local time; weekday 0 is Monday.
            weather: already stepped to this minute.
        """
        rng = self._rng
        if day_of_year != self._day:
            self._day = day_of_year
            self._day_factor = season(day_of_year) * max(0.6, 1.0 + 0.08 * gaussian(rng))
        self._smooth = 0.985 * self._smooth + 0.1726 * gaussian(rng)
        shape = (WEEKEND if weekday >= 5 else WORKDAY)[minute_of_day]
        guests = self._day_factor * OF_WEEKDAY[weekday] * shape
        facts = self.facts
        if self._burst_steps:
            self._burst_steps -= 1
        elif rng.random() < facts.bursts_per_day * guests / 1440.0:
            self._burst_steps = 2 + int(rng.random() * 5.0)
            self._burst_l_s = (60.0 + 240.0 * rng.random()) / (self._burst_steps * STEP_S)
        l_s = facts.guests_m3_d / 86.4 * guests * max(0.25, 1.0 + 0.14 * self._smooth)
        if self._burst_steps:
            l_s += self._burst_l_s
        winter = 0.65 + 0.35 * math.cos((day_of_year - 30) * (2.0 * math.pi / 365.25))
        l_s += facts.seepage_l_s * winter
        # 1 mm/h on 1 m2 is 1 L/h; a third enters quickly, the rest slowly.
        l_s += facts.rain_m2 / 3600.0 * (0.35 * weather.quick + 0.65 * weather.slow)
        return l_s * 0.001
