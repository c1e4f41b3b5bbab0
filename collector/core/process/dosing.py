"""Dosing: use in all and a day, the dose at the estimated flow, and how long the stock lasts.

    dose in mg/L = use in L x strength in g/L / flow in m3

The dose is told over the last full hour and the last 24 hours. ``strength_g_per_l`` says what a
litre of the solution counts by; a dose is of that and of nothing else (available chlorine is 0.9525
times NaOCl, and neither is per cent by weight).

Sources of the formula: mass balance; lb/d = 8.34 x mgd x mg/L is the same in US units.
"""

from __future__ import annotations

from collections import deque

from collector.core.component import Reading, Saved
from collector.core.process.counters import CounterTrack
from collector.core.process.stock import DayTank
from collector.core.process.telling import Told, plain, saved_numbers, share_of
from collector.core.process.use import NOT_READ, ChemicalUse
from collector.core.process.volumes import (
    HOUR_US,
    NEGLIGIBLE_US,
    NO_SOURCE,
    NOT_WATCHED,
    UNKNOWN_TIME,
    Throughput,
    growth,
    hour_after,
)
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.core.runs import RunMeter
from collector.plant.equipment import DosingPump

HOURS_KEPT = 7 * 24
LEAST_HOURS = 24
"""Hours that must have been watched before a daily use is told."""

NO_RATE = "the plant file gives no rate"
NO_STRENGTH = "the plant file gives no strength"
NO_WATER = "no flow to speak of"


def dose_kg_m3(used_m3: float, strength_kg_m3: float, water_m3: float) -> float:
    """Dose in kg/m3 (g/L) of a chemical in water.

    Args:
        used_m3: of solution.
        strength_kg_m3: of the solution; 1 g/L is 1 kg/m3.
        water_m3: treated with it, above 0.

    Source: mass balance; the pump's own volume in the water is left out.
    """
    return used_m3 * strength_kg_m3 / water_m3


class Dosing:
    """One dosing pump.

    Args:
        name, part: from the plant file.
        runs: its run meter, which is told of a change before this is; None if it has no contact.
        strokes: its counter, or None.
        flow: what passes the dosing point, or None.
        start_us: plant time at which watching begins.
    """

    def __init__(
        self, name: str, part: DosingPump, runs: RunMeter | None, strokes: CounterTrack | None,
        flow: Throughput | None, start_us: int,
    ) -> None:  # fmt: skip
        self.pump = name
        self.name = f"{name}.dosing"
        self._strength = part.strength_g_per_l
        self._flow = flow
        self.use = ChemicalUse(name, part, runs, strokes, start_us)
        self._low_point = part.tank_low
        self._tank = None if part.day_tank_l is None else DayTank(name, part, part.day_tank_l)
        low = part.tank_low if self._tank is not None else None
        points = (self.use.run, self.use.counter, low)
        self.points = tuple(dict.fromkeys(point for point in points if point is not None))
        self._hours: deque[tuple[int, Reading]] = deque(maxlen=HOURS_KEPT + 1)
        self._next_hour_us = hour_after(start_us)
        self._told = Told()

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        if change.point == self.use.counter:
            return self.use.read(change)
        if self._tank is None or change.point != self._low_point:
            return []
        news = self._tank.low_moved(change, self.use.until(change.by_us))
        return self._tell_stock(change.by_us) if news else []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del reason, by_us
        self.use.lost(panel, last_good_us)
        if self._tank is not None:
            self._tank.contacts.lose(panel)
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        self.use.returned(panel, by_us)
        if self._tank is not None:
            self._tank.contacts.find(panel)
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        return self._next_hour_us

    def wake(self, at_us: int) -> list[Output]:
        self._next_hour_us = hour_after(at_us)
        if not self.use.known:
            return self._told.news(
                Derived(f"{self.pump}.chemical_used", None, Quality.BAD, at_us, reason=NO_RATE)
            )
        self._hours.append((at_us, self.use.until(at_us)))
        found = self._tell_use(at_us)
        for quantity, hours in (("dose", 1), ("dose_day", 24)):
            figure = self._dose(quantity, hours, at_us)
            found += self._told.news(figure, share_of(figure, 0.05))
        per_day = self._per_day(at_us)
        if per_day is not None:
            found += self._told.news(per_day, share_of(per_day, 0.05))
        return found + self._tell_stock(at_us)

    def readings(self, at_us: int) -> dict[str, Reading]:
        """See ``Counting``."""
        return {f"{self.pump}.chemical_used": self.use.until(at_us)} if self.use.known else {}

    # --- figures --------------------------------------------------------------------------------

    def _tell_use(self, at_us: int) -> list[Output]:
        used = self.use.until(at_us)
        why = self.use.doubt(used.unknown_us)
        high = None if why == NOT_READ else used.high + used.edge
        figure = Derived(
            f"{self.pump}.chemical_used", used.value, Quality.UNCERTAIN if why else Quality.GOOD,
            at_us, max(0.0, used.low - used.edge), high, why,
        )  # fmt: skip
        return self._told.news(figure, min(2e-3, max(1e-4, 0.02 * used.value)))

    def _since(self, hours: int, at_us: int) -> Reading | None:
        """Use in the last full hours; None if one end was not watched."""
        begin_us = at_us - hours * HOUR_US
        found = [used for sample_us, used in self._hours if sample_us == begin_us]
        return growth(found[0], self._hours[-1][1]) if found else None

    def _dose(self, quantity: str, hours: int, at_us: int) -> Derived:
        subject, strength = f"{self.pump}.{quantity}", self._strength
        if self._flow is None or strength is None:
            why = NO_SOURCE if self._flow is None else NO_STRENGTH
            return Derived(subject, None, Quality.BAD, at_us, reason=why)
        used, water = self._since(hours, at_us), self._flow.last_hours(hours, at_us)
        if (
            used is None
            or water is None
            or not water.mostly_known
            or used.unknown_us > 0.5e6 * water.length_s
        ):
            return Derived(subject, None, Quality.BAD, at_us, reason=NOT_WATCHED)
        low = high = None
        if water.high_m3 is not None and water.high_m3 > 0.0:
            low = dose_kg_m3(used.low, strength, water.high_m3)
        if used.bounded and water.low_m3 > 0.0:
            high = dose_kg_m3(used.high, strength, water.low_m3)
        if water.low_m3 <= 0.0:
            return Derived(subject, None, Quality.UNCERTAIN, at_us, low, high, NO_WATER)
        unknown = water.doubtful or used.unknown_us > NEGLIGIBLE_US
        return Derived(
            subject, dose_kg_m3(used.value, strength, water.m3),
            Quality.UNCERTAIN if unknown else Quality.GOOD, at_us, low, high,
            UNKNOWN_TIME if unknown else "",
        )  # fmt: skip

    def _per_day(self, at_us: int) -> Derived | None:
        """Mean use of the last week, or of what was watched of it, m3/s."""
        if len(self._hours) <= LEAST_HOURS:
            return None
        begin_us, begin = self._hours[0]
        length_s = (at_us - begin_us) / 1e6
        used = growth(begin, self._hours[-1][1])
        known_s = length_s - used.unknown_us / 1e6
        if known_s < 0.5 * length_s:
            return None
        doubt = used.unknown_us > NEGLIGIBLE_US
        return Derived(
            f"{self.pump}.chemical_per_day", used.value / known_s,
            Quality.UNCERTAIN if doubt else Quality.GOOD, at_us, used.low / length_s,
            used.high / length_s if used.bounded else None, UNKNOWN_TIME if doubt else "",
        )  # fmt: skip

    def _tell_stock(self, at_us: int) -> list[Output]:
        if self._tank is None or not self.use.known:
            return []
        stock, per_day = self._tank.stock(self.use.until(at_us), at_us), self._per_day(at_us)
        found = self._told.news(stock, 0.01 * self._tank.full_m3)
        if per_day is None or not isinstance(per_day.value, float) or per_day.value <= 0.0:
            return found
        left, low, high = (
            each / per_day.value if isinstance(each, float) else None
            for each in (stock.value, stock.low, stock.high)
        )
        figure = Derived(
            f"{self.pump}.stock_lasts", left, stock.quality, at_us, low, high, stock.reason
        )
        return found + self._told.news(figure, max(43_200.0, share_of(figure, 0.1)))

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        return {
            "use": self.use.save(), "tank": None if self._tank is None else self._tank.save(),
            "hours": plain(
                each for at_us, used in self._hours
                for each in (at_us, used.value, used.low, used.high, used.unknown_us, used.bounded)
            ),
            "next_hour_us": self._next_hour_us, "told": self._told.save(),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        hours, next_hour_us = saved_numbers(saved, "hours"), saved.get("next_hour_us")
        if not isinstance(next_hour_us, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self.use.restore(saved.get("use"))
        if self._tank is not None and saved.get("tank") is not None:
            self._tank.restore(saved.get("tank"))
        self._told.restore(saved.get("told"))
        self._next_hour_us = next_hour_us
        self._hours.clear()
        for k in range(0, len(hours), 6):
            at_us, value, low, high, unknown_us, bounded = hours[k : k + 6]
            edge = self.use.edge_m3
            reading = Reading(value, low, high, int(unknown_us), edge, bool(bounded))
            self._hours.append((int(at_us), reading))
