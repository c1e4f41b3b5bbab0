"""Dead reckoning of a well's volume since the last crossing that fits everything.

The estimator lets floats that have not moved bound the water, as it must; to judge the floats
themselves, the water has to be followed without them. Inflow and pump flows are those known at the
crossing; what they add up to is doubted by a generous share of each part.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from collector.core.component import Saved
from collector.core.diagnosis.limits import RECKONING_DOUBT
from collector.core.process.telling import plain
from collector.core.wells.look import Look
from collector.core.wells.well_flow import WellFlow


class Reckoning:
    """Follows the water of one well.

    Args:
        flows: the estimates of the well, or None where there are none: then nothing is reckoned.
        upstream: those of the wells whose pumps lift into it.
    """

    def __init__(self, flows: WellFlow | None, upstream: Sequence[WellFlow] = ()) -> None:
        self._flows = flows
        self._upstream = tuple(upstream)
        self._sent_m3 = 0.0  # by them, up to the anchor
        self._anchor_us: int | None = None
        self._anchor_m3 = 0.0
        self._inflow = (0.0, 0.0)
        self._pump_flows: list[float] = []
        self._on_us: dict[str, int] = {}
        self._since_us: dict[str, int] = {}
        self.level_m: float | None = None  # where it is metered

    def run_moved(self, pump: str, runs: bool | None, at_us: int) -> None:
        """A pump started or stopped; None loses the thread."""
        if runs is None:
            self._anchor_us = None
            self._since_us.pop(pump, None)
        elif runs:
            self._since_us.setdefault(pump, at_us)
        elif pump in self._since_us:
            begin_us = max(self._since_us.pop(pump), self._anchor_us or 0)
            self._on_us[pump] = self._on_us.get(pump, 0) + max(0, at_us - begin_us)

    def anchor(self, height_m: float, at_us: int, now_us: int) -> None:
        """The water was at a height at an instant; ``now_us`` is when that was noticed."""
        if self._flows is None:
            return
        look = self._flows.look(now_us)
        if not look.known:
            self._anchor_us = None
            return
        self._anchor_us = at_us
        self._anchor_m3 = self.volume_of(height_m)
        own = max(0.0, look.inflow_m3_s.value - self._flows.estimator.upstream[0])
        self._inflow = (own, look.inflow_m3_s.error)
        self._sent_m3 = self._sent_until(now_us)
        self._pump_flows = [flow.value for flow in look.flows_m3_s]
        self._on_us.clear()

    def _sent_until(self, at_us: int) -> float:
        return sum(above.look(at_us).pumped_total_m3.value for above in self._upstream)

    def lose(self) -> None:
        """What happened since is not known."""
        self._anchor_us = None

    def volume_m3(self, at_us: int) -> tuple[float, float] | None:
        """Volume and its standard error at an instant; None where it cannot be said."""
        if self._flows is None:
            return None
        working_m3 = self._flows.estimator.working_m3
        if self.level_m is not None:
            return self.volume_of(self.level_m), 0.05 * working_m3
        if self._anchor_us is None:
            return None
        elapsed_s = max(0, at_us - self._anchor_us) / 1e6
        come_m3 = self._inflow[0] * elapsed_s + max(0.0, self._sent_until(at_us) - self._sent_m3)
        gone_m3 = 0.0
        for name, flow in zip(self._flows.estimator.pumps.names, self._pump_flows, strict=True):
            on_us = self._on_us.get(name, 0)
            if name in self._since_us:
                on_us += max(0, at_us - max(self._since_us[name], self._anchor_us))
            gone_m3 += flow * on_us / 1e6
        error = hypot(
            RECKONING_DOUBT * come_m3, self._inflow[1] * elapsed_s,
            RECKONING_DOUBT * gone_m3, 0.03 * working_m3,
        )  # fmt: skip
        return self._anchor_m3 + come_m3 - gone_m3, error

    def ahead(self, height_m: float, at_us: int, *, rising: bool) -> float | None:
        """How much too early a float at a height has moved, in standard errors of the reckoning.

        Args:
            height_m: at which it moved.
            at_us: when.
            rising: it made; else it broke.

        Returns:
            above 0 if the water cannot have been there yet; None where it cannot be said.
        """
        reckoned = self.volume_m3(at_us)
        if reckoned is None:
            return None
        volume_m3, error_m3 = reckoned
        off_m3 = self.volume_of(height_m) - volume_m3
        return (off_m3 if rising else -off_m3) / error_m3

    def volume_of(self, height_m: float) -> float:
        """Volume below a height; 0 where there are no estimates."""
        if self._flows is None:
            return 0.0
        return self._flows.estimator.facts.geometry.volume_m3(height_m)

    def look(self, at_us: int) -> Look | None:
        """The estimate itself, where there is one."""
        if self._flows is None:
            return None
        look = self._flows.look(at_us)
        return look if look.known else None

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "anchor_us": self._anchor_us, "anchor_m3": self._anchor_m3,
            "inflow": plain(self._inflow), "pump_flows": plain(self._pump_flows),
            "on_us": dict(self._on_us), "since_us": dict(self._since_us),
            "level_m": self.level_m, "sent_m3": self._sent_m3,
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved reckoning is of another form")
        self._anchor_us, self._anchor_m3 = saved["anchor_us"], saved["anchor_m3"]
        self._inflow = (saved["inflow"][0], saved["inflow"][1])
        self._pump_flows = list(saved["pump_flows"])
        self._on_us, self._since_us = dict(saved["on_us"]), dict(saved["since_us"])
        self.level_m, self._sent_m3 = saved["level_m"], saved["sent_m3"]
        if self._flows is None or len(self._pump_flows) != len(self._flows.estimator.pumps.names):
            self._anchor_us = None
