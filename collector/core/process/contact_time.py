"""Contact time and CT of a contact tank, at the estimated flow of the last full hour.

    T10 = baffling factor x volume / flow          CT = residual x T10

T10 is the time by which a tenth of the water has passed; a baffling factor is a rule of thumb for
it (0.1 unbaffled, 0.3 poor, 0.5 average, 0.7 superior, 1.0 plug flow: Pennsylvania DEP, theoretical
baffling factors, where no tracer study is at hand). It is not the modal contact time of a tracer
study, which California's rule for disinfected tertiary water means (CT of at least 450 mg min/L
with a modal contact time of at least 90 min at peak dry weather design flow, 22 CCR 60301.230), and
passes or fails no such rule. Both figures are always marked as uncertain.
"""

from __future__ import annotations

from collector.core.component import Saved
from collector.core.process.telling import Told, share_of
from collector.core.process.volumes import NO_SOURCE, NOT_WATCHED, Throughput, hour_after
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.plant.equipment import ContactTank

ESTIMATE = "estimate by baffling factor and flow, no tracer study"
NO_FLOW = "no flow to speak of in the last hour"
NO_RESIDUAL = "residual not known"


def t10_s(volume_m3: float, baffling_factor: float, flow_m3_s: float) -> float:
    """Time by which a tenth of the water has passed, s.

    Args:
        volume_m3: of water in the tank.
        baffling_factor: 0 to 1.
        flow_m3_s: above 0.

    Source: T10 = BF V / Q, Pennsylvania DEP, tracer studies and contact time.
    """
    return baffling_factor * volume_m3 / flow_m3_s


def ct_kg_s_per_m3(residual_kg_m3: float, contact_s: float) -> float:
    """Residual times contact time; 1 mg min/L is 0.06 kg s/m3."""
    return residual_kg_m3 * contact_s


class ContactTime:
    """One contact tank.

    Args:
        name, part: from the plant file.
        flow: what passes it, or None.
        start_us: plant time at which watching begins.
    """

    def __init__(
        self, name: str, part: ContactTank, flow: Throughput | None, start_us: int
    ) -> None:
        self.tank = name
        self.name = f"{name}.contact"
        self.points = () if part.residual is None else (part.residual,)
        self._part = part
        self._flow = flow
        self._residual: float | None = None
        self._before: float | None = None
        self._next_us = hour_after(start_us)
        self._told = Told()

    def point_changed(self, change: PointChanged) -> list[Output]:
        good = isinstance(change.value, float | int) and change.quality is not Quality.BAD
        self._residual = float(change.value or 0.0) if good else None
        self._before = None
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel, reason, last_good_us, by_us
        if self._residual is not None:
            self._before, self._residual = self._residual, None
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel, by_us
        if self._before is not None:
            self._residual, self._before = self._before, None
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        return self._next_us

    def wake(self, at_us: int) -> list[Output]:
        self._next_us = hour_after(at_us)
        time = self._time(at_us)
        found = self._told.news(time, share_of(time, 0.05))
        if self._part.residual is not None:
            ct = self._ct(time, at_us)
            found += self._told.news(ct, share_of(ct, 0.05))
        return found

    def _time(self, at_us: int) -> Derived:
        subject, volume, factor = (
            f"{self.tank}.contact_time", self._part.volume_m3, self._part.baffling_factor,
        )  # fmt: skip
        hour = None if self._flow is None else self._flow.last_hours(1, at_us)
        if hour is None:
            why = NO_SOURCE if self._flow is None else NOT_WATCHED
            return Derived(subject, None, Quality.BAD, at_us, reason=why)
        flow = hour.flow(subject, at_us)
        low = t10_s(volume, factor, flow.high) if flow.high else None
        high = t10_s(volume, factor, flow.low) if flow.low else None
        if not isinstance(flow.value, float):
            return Derived(subject, None, Quality.BAD, at_us, low, high, flow.reason)
        if not flow.low:
            return Derived(subject, None, Quality.UNCERTAIN, at_us, low, None, NO_FLOW)
        value = t10_s(volume, factor, flow.value)
        return Derived(subject, value, Quality.UNCERTAIN, at_us, low, high, ESTIMATE)

    def _ct(self, time: Derived, at_us: int) -> Derived:
        subject, residual = f"{self.tank}.ct", self._residual
        if residual is None:
            return Derived(subject, None, Quality.BAD, at_us, reason=NO_RESIDUAL)
        residual = max(0.0, residual)
        value, low, high = (
            ct_kg_s_per_m3(residual, each) if isinstance(each, float) else None
            for each in (time.value, time.low, time.high)
        )
        return Derived(subject, value, time.quality, at_us, low, high, time.reason)

    def save(self) -> Saved:
        return {
            "residual": self._residual, "before": self._before, "next_us": self._next_us,
            "told": self._told.save(),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        residual, before, next_us = (saved.get(key) for key in ("residual", "before", "next_us"))
        if not isinstance(next_us, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._residual = float(residual) if isinstance(residual, int | float) else None
        self._before = float(before) if isinstance(before, int | float) else None
        self._next_us = next_us
        self._told.restore(saved.get("told"))
