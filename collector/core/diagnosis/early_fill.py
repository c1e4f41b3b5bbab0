"""A leaking check valve, by the first part of the fill against the rest of it.

After a stop the main runs back into the well within minutes, so the first part of the fill, from
the stop float to its making again, takes less time than the inflow of the rest explains. Only a
well with a float between stop and start shows that; elsewhere a leak makes the inflow and all
pumps seem to rise together (``pump_trend.py``), and a main that is small against the well hides it.

Heights of floats are never right to the centimetre, and bursts of inflow fall more often into the
longer part, so the ratio of the two is compared with what it was in a reference time, by medians of
its logarithm.

Source: mass balance; common practice, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import exp, log, pi
from statistics import median

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch
from collector.core.diagnosis.limits import (
    EARLY_FILLS,
    EARLY_REFERENCE,
    EARLY_RISE,
    EARLY_SHARE,
)
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import PUMP, diagnosis
from collector.core.process.contacts import Moved
from collector.core.process.telling import plain, saved_numbers
from collector.core.records import PointChanged
from collector.core.wells.geometry import Geometry
from collector.plant.equipment import Float, Well


def shows_a_leak(well: Well, low: Float, geometry: Geometry) -> bool:
    """Whether what the main holds is enough, against the first part of the fill, to be seen there.

    The early inflow rises by ``V / (V - main)`` at most; its logarithm must reach ``EARLY_RISE``.
    """
    if well.main is None:
        return False
    radius_m = 0.5e-3 * well.main.inner_diameter_mm
    main_m3 = pi * radius_m**2 * well.main.length_m
    first_m3 = geometry.between_m3(low.breaks_m, low.makes_at_m)
    return 0.0 < first_m3 * (1.0 - exp(-EARLY_RISE)) <= main_m3


class EarlyFill(ContactWatch):
    """The fills of one well.

    Args:
        well, title: its name and what people call it.
        low, start: its stop float and the float that starts the lead pump.
        runs: run contacts of its pumps.
        geometry: of the well.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, well: str, title: str, low: Float, start: Float, runs: Sequence[str],
        geometry: Geometry, sure_us: int,
    ) -> None:  # fmt: skip
        super().__init__(f"{well}.early_fill", (low.point, start.point, *runs), sure_us)
        self._well, self._title = well, title
        self._low, self._start = low.point, start.point
        first_m3 = geometry.between_m3(low.breaks_m, low.makes_at_m)
        self._parts = first_m3 / geometry.between_m3(low.makes_at_m, start.makes_at_m)
        self._stop_us: int | None = None
        self._low_us: int | None = None
        self._reference: list[float] = []
        self._recent: deque[float] = deque(maxlen=EARLY_FILLS)

    def moved(self, point: str, move: Moved, change: PointChanged) -> None:
        if move.before is None or move.made is None:
            self._stop_us = self._low_us = None
        elif point == self._low and move.breaks:
            self._stop_us, self._low_us = move.at_us, None
        elif point == self._low:
            self._low_us = move.at_us
        elif point == self._start and move.makes:
            self._end(move.at_us)
        elif move.makes:  # a pump starts before the fill is done
            self._stop_us = self._low_us = None

    def _end(self, at_us: int) -> None:
        stop_us, low_us, self._stop_us, self._low_us = self._stop_us, self._low_us, None, None
        if stop_us is None or low_us is None or not stop_us < low_us < at_us:
            return
        ratio = log(self._parts * (at_us - low_us) / (low_us - stop_us))
        if len(self._reference) < EARLY_REFERENCE:
            self._reference.append(ratio)
        else:
            self._recent.append(ratio)

    def hidden(self, last_good_us: int, panel: str) -> None:
        self._stop_us = self._low_us = None

    def claims(self, now_us: int) -> list[Claim]:
        del now_us
        leaks: bool | None = None
        if len(self._recent) == EARLY_FILLS:
            usual, now = median(self._reference), median(self._recent)
            above = sum(1 for ratio in self._recent if ratio > usual + 0.5 * EARLY_RISE)
            if now - usual >= EARLY_RISE and above >= EARLY_SHARE * EARLY_FILLS:
                leaks = True
            elif now - usual < 0.5 * EARLY_RISE:
                leaks = False
        return [Claim(f"{self._well}.check_valve_leaks", leaks, 0.0, self._tell)]

    def _tell(self) -> str:
        usual, now = median(self._reference), median(self._recent)
        return diagnosis(
            f"{self._title}: right after a stop it fills {exp(now - usual):.1f} times as fast "
            f"against the rest of the fill as it used to (median of {len(self._recent)} fills)",
            "The inflow does not know when a pump has stopped; what comes then is the main running "
            "back",
            "the check valves (rag in the seat, flap worn): each cycle pumps the main twice", PUMP,
        )  # fmt: skip

    def save(self) -> Saved:
        return {
            **super().save(), "stop_us": self._stop_us, "low_us": self._low_us,
            "reference": plain(self._reference), "recent": plain(self._recent),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        super().restore(saved)
        stop_us, low_us = saved.get("stop_us"), saved.get("low_us")
        self._stop_us = stop_us if isinstance(stop_us, int) else None
        self._low_us = low_us if isinstance(low_us, int) else None
        self._reference = saved_numbers(saved, "reference")
        self._recent.clear()
        self._recent.extend(saved_numbers(saved, "recent"))
