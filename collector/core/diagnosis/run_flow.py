"""The mean flow of each single run, by the volumetric method over all that is known of the inflow.

Between two crossings of floats, while one pump runs and no other, it moves what the well lost and
what came in: ``Q = (V1 - V2 + q T + A) / t_on`` with ``q`` the well's own inflow, the mean of that
estimated before the run and after the fill that follows it, and ``A`` what pumps upstream sent
meanwhile. Against the recursive estimator this is noisy but quick: nothing of the past is in it,
so that a pump that is suddenly blocked shows at once, even if the well fills while it runs.

Source: mass balance; drawdown pumping rate, South Dakota DENR (by quotation).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass

from collector.core.component import Saved
from collector.core.process.telling import plain, saved_numbers
from collector.core.wells.well_flow import WellFlow

LEAST_SHARE = 0.85
"""Share of the time between two crossings that the pump must have run."""

LEAST_RUN_S = 20.0

INFLOW_DOUBT = 0.1
"""How far the inflow during a run may be from the mean of before and after, beside half of their
difference, as a share. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class RunFlow:
    """One run of one pump.

    Args:
        flow_m3_s: its mean flow.
        doubt: by how much the inflow may have spoilt that, as a share of it.
        ran_s: for how long it was measured.
    """

    pump: str
    flow_m3_s: float
    doubt: float
    ran_s: float


@dataclass(frozen=True, slots=True)
class EndedRun:
    """A run that waits for the inflow after it; ``lost_m3`` is what the well lost."""

    pump: str
    lost_m3: float
    sent_m3: float
    whole_s: float
    ran_s: float
    inflow: float


class RunFlows:
    """Measures runs as they end.

    Args:
        flows: estimates of the well.
        upstream: those of the wells whose pumps lift into it.
    """

    def __init__(self, flows: WellFlow, upstream: Sequence[WellFlow]) -> None:
        self._flows = flows
        self._upstream = tuple(upstream)
        self._anchor_us: int | None = None
        self._anchor_m3 = self._sent_m3 = self._inflow = 0.0
        self._on_us: dict[str, int] = {}  # since the crossing before
        self._since_us: dict[str, int] = {}
        # Of the run under way: what the well lost, what upstream sent, time, and time it ran.
        self._run: dict[str, list[float]] = {}
        self._ended: EndedRun | None = None

    def run_moved(self, pump: str, runs: bool, at_us: int) -> None:
        """A pump started or stopped."""
        if runs:
            self._since_us.setdefault(pump, at_us)
            return
        if pump in self._since_us:
            self._count(pump, at_us)
            del self._since_us[pump]
        booked = self._run.pop(pump, None)
        if booked is not None and booked[3] >= LEAST_RUN_S:
            lost_m3, sent_m3, whole_s, ran_s = booked
            self._ended = EndedRun(pump, lost_m3, sent_m3, whole_s, ran_s, self._inflow)

    def crossed(self, height_m: float, at_us: int, now_us: int) -> RunFlow | None:
        """The water passed a height at an instant that was noticed at ``now_us``.

        Returns:
            the run before, if this tells of the inflow after it.
        """
        estimator = self._flows.estimator
        look = self._flows.look(now_us)
        if not look.known:
            self.lose()
            return None
        volume_m3 = estimator.facts.geometry.volume_m3(height_m)
        sent_m3 = sum(above.look(now_us).pumped_total_m3.value for above in self._upstream)
        for pump in self._since_us:
            self._count(pump, at_us)
        if self._anchor_us is not None:
            self._book(volume_m3, sent_m3 - self._sent_m3, (at_us - self._anchor_us) / 1e6)
        inflow = max(0.0, look.inflow_m3_s.value - estimator.upstream[0])
        found = None
        if not self._since_us:
            if volume_m3 > self._anchor_m3 and self._ended is not None:
                found, self._ended = measured(self._ended, inflow), None
            self._inflow = inflow
        self._anchor_us, self._anchor_m3, self._sent_m3 = at_us, volume_m3, sent_m3
        self._on_us.clear()
        return found

    def lose(self) -> None:
        """Something may have happened unseen."""
        self._anchor_us = self._ended = None
        self._since_us.clear()
        self._on_us.clear()
        self._run.clear()

    def _count(self, pump: str, at_us: int) -> None:
        begin_us = max(self._since_us[pump], self._anchor_us or 0)
        self._on_us[pump] = self._on_us.get(pump, 0) + max(0, at_us - begin_us)
        self._since_us[pump] = max(at_us, self._since_us[pump])

    def _book(self, volume_m3: float, sent_m3: float, whole_s: float) -> None:
        """Add the time since the crossing before to the run of the one pump that ran."""
        ran = [pump for pump, on_us in self._on_us.items() if on_us > 0]
        if len(ran) != 1 or whole_s <= 0.0:
            return
        pump, ran_s = ran[0], self._on_us[ran[0]] / 1e6
        if ran_s < LEAST_SHARE * whole_s or pump not in self._since_us:
            return
        booked = self._run.setdefault(pump, [0.0, 0.0, 0.0, 0.0])
        more = (self._anchor_m3 - volume_m3, max(0.0, sent_m3), whole_s, ran_s)
        self._run[pump] = [a + b for a, b in zip(booked, more, strict=True)]

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        ended = self._ended
        return {
            "anchor_us": self._anchor_us,
            "anchor": plain((self._anchor_m3, self._sent_m3, self._inflow)),
            "on_us": dict(self._on_us), "since_us": dict(self._since_us),
            "run": {pump: plain(booked) for pump, booked in self._run.items()},
            "ended": None if ended is None else plain(astuple(ended)),
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved run flows are of another form")
        self._anchor_us = saved["anchor_us"]
        self._anchor_m3, self._sent_m3, self._inflow = saved_numbers(saved, "anchor")
        self._on_us, self._since_us = dict(saved["on_us"]), dict(saved["since_us"])
        self._run = {pump: saved_numbers(saved["run"], pump) for pump in saved["run"]}
        self._ended = None if saved["ended"] is None else EndedRun(*saved["ended"])


def measured(run: EndedRun, inflow_after: float) -> RunFlow:
    """The run, with the mean of the inflows before and after it."""
    inflow = 0.5 * (run.inflow + inflow_after)
    pumped_m3 = run.lost_m3 + inflow * run.whole_s + run.sent_m3
    doubt_m3 = 0.5 * abs(inflow_after - run.inflow) * run.whole_s
    doubt_m3 += INFLOW_DOUBT * (inflow * run.whole_s + run.sent_m3)
    least_m3 = max(pumped_m3, 0.1 * (inflow * run.whole_s + run.sent_m3), 1e-9)
    return RunFlow(run.pump, pumped_m3 / run.ran_s, doubt_m3 / least_m3, run.ran_s)
