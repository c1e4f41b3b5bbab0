"""What a meter of turbidity, residual or power showed over the last 24 hours.

A reading is held until the next one or until nobody knows; means are over the known time, in
twenty-four bins of a full hour. For comparison, water filtered through media: a 24-hour average of
at most 2 NTU, above 5 NTU no more than 5 % of 24 hours, never above 10 NTU (22 CCR 60301.320, from
memory). The figures pass or fail no rule: a permit says how and where it is measured.
"""

from __future__ import annotations

from collections import deque
from dataclasses import astuple, dataclass

from collector.core.component import Reading, Saved
from collector.core.process.telling import Told, plain, saved_numbers, share_of
from collector.core.process.volumes import NEGLIGIBLE_US, UNKNOWN_TIME, hour_after
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.plant.equipment import Meter

HOURS = 24
TURBID_NTU = 5.0
"""22 CCR 60301.320, from memory; see above."""

NOT_READ = "not read in the last 24 hours"
NOT_ALL = "not all of the last 24 hours is known"
KINDS = ("turbidity", "residual", "power")


@dataclass(slots=True)
class Bin:
    """An hour: integral over the known time, that time, the part above the limit, extremes."""

    sum: float = 0.0
    known_s: float = 0.0
    above_s: float = 0.0
    least: float = float("inf")
    greatest: float = float("-inf")


class DayStatistics:
    """One meter of turbidity, residual or power.

    Args:
        name, part: from the plant file; ``measures`` is one of ``KINDS``.
        start_us: plant time at which watching begins.
    """

    def __init__(self, name: str, part: Meter, start_us: int) -> None:
        self.meter = name
        self.name = f"{name}.statistics"
        self.points = (part.point,)
        self._measures = part.measures
        self._value: float | None = None
        self._before: float | None = None
        self._bins: deque[Bin] = deque([Bin()], maxlen=HOURS + 1)
        self._sum = 0.0
        self._unknown_us = 0
        self._counted_us = start_us
        self._next_us = hour_after(start_us)
        self._told = Told()

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        good = change.quality is not Quality.BAD and isinstance(change.value, int | float)
        if not good:
            self._count(change.after_us)
            self._value = self._before = None
            return []
        middle_us = (change.after_us + change.by_us) // 2
        self._count(middle_us if self._value is not None else change.by_us)
        self._value, self._before = float(change.value or 0.0), None
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel, reason, by_us
        self._count(last_good_us)
        if self._value is not None:
            self._before, self._value = self._value, None
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel
        if self._value is None and self._before is not None:
            self._count(by_us)
            self._value, self._before = self._before, None
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        return self._next_us

    def wake(self, at_us: int) -> list[Output]:
        self._count(at_us)
        self._next_us = hour_after(at_us)
        found = self._tell(at_us)
        self._bins.append(Bin())
        return found

    def _count(self, at_us: int) -> None:
        span_us = max(0, at_us - self._counted_us)
        self._counted_us = max(self._counted_us, at_us)
        if self._value is None:
            self._unknown_us += span_us
            return
        value, span_s, bin_ = self._value, span_us / 1e6, self._bins[-1]
        self._sum += value * span_s
        bin_.sum += value * span_s
        bin_.known_s += span_s
        bin_.above_s += span_s if value > TURBID_NTU else 0.0
        bin_.least, bin_.greatest = min(bin_.least, value), max(bin_.greatest, value)

    # --- figures --------------------------------------------------------------------------------

    def _tell(self, at_us: int) -> list[Output]:
        if self._measures == "power":
            return self._energy(at_us)
        bins = list(self._bins)[-HOURS:]
        known_s = sum(each.known_s for each in bins)
        whole_s = HOURS * 3600.0
        doubt = (
            "" if (whole_s - known_s) * 1e6 <= NEGLIGIBLE_US else NOT_ALL if known_s else NOT_READ
        )
        quality = Quality.UNCERTAIN if doubt else Quality.GOOD

        def figure(quantity: str, value: float, low: float | None, high: float | None) -> Derived:
            subject = f"{self.meter}.{quantity}"
            if not known_s:
                return Derived(subject, None, Quality.BAD, at_us, reason=NOT_READ)
            return Derived(subject, value, quality, at_us, low, high, doubt)

        mean = sum(each.sum for each in bins) / known_s if known_s else 0.0
        if self._measures == "residual":
            found = [
                figure("residual_day", mean, None, None),
                figure("residual_least_day", min(each.least for each in bins), None, None),
            ]
        else:
            above_s = sum(each.above_s for each in bins)
            share = above_s / known_s if known_s else 0.0
            high = min(1.0, (above_s + max(0.0, whole_s - known_s)) / whole_s)
            found = [
                figure("turbidity_day", mean, None, None),
                figure("turbidity_above_5_day", share, above_s / whole_s, high),
                figure("turbidity_greatest_day", max(each.greatest for each in bins), None, None),
            ]
        return [news for each in found for news in self._told.news(each, share_of(each, 0.05))]

    def _energy(self, at_us: int) -> list[Output]:
        doubt = UNKNOWN_TIME if self._unknown_us > NEGLIGIBLE_US else ""
        figure = Derived(
            f"{self.meter}.energy_used", self._sum, Quality.UNCERTAIN if doubt else Quality.GOOD,
            at_us, self._sum, None if doubt else self._sum, doubt,
        )  # fmt: skip
        return self._told.news(figure, 360_000.0)

    def readings(self, at_us: int) -> dict[str, Reading]:
        """See ``Counting``."""
        if self._measures != "power":
            return {}
        span_us = max(0, at_us - self._counted_us)
        energy_j = self._sum + (0.0 if self._value is None else self._value * span_us / 1e6)
        unknown_us = self._unknown_us + (span_us if self._value is None else 0)
        subject = f"{self.meter}.energy_used"
        return {subject: Reading(energy_j, energy_j, energy_j, unknown_us, bounded=False)}

    # --- keeping --------------------------------------------------------------------------------

    _KEPT = ("_value", "_before", "_sum", "_unknown_us", "_counted_us", "_next_us")

    def save(self) -> Saved:
        saved: Saved = {name.lstrip("_"): getattr(self, name) for name in self._KEPT}
        # An hour in which nothing was known has no extremes, which JSON has no word for.
        saved["bins"] = plain(
            None if abs(each) == float("inf") else each
            for bin_ in self._bins
            for each in astuple(bin_)
        )
        saved["told"] = self._told.save()
        return saved

    def restore(self, saved: Saved) -> None:
        bins = saved.get("bins")
        if any(name.lstrip("_") not in saved for name in self._KEPT) or not isinstance(bins, list):
            raise ValueError(f"the saved state of {self.name} is of another form")
        empty = Bin()
        self._bins.clear()
        for k in range(0, len(bins), 5):
            least, greatest = bins[k + 3], bins[k + 4]
            total, known_s, above_s = saved_numbers({"bin": bins[k : k + 3]}, "bin")
            self._bins.append(
                Bin(
                    total,
                    known_s,
                    above_s,
                    empty.least if not isinstance(least, float) else least,
                    empty.greatest if not isinstance(greatest, float) else greatest,
                )
            )
        self._told.restore(saved.get("told"))
        for name in self._KEPT:
            setattr(self, name, saved[name.lstrip("_")])
