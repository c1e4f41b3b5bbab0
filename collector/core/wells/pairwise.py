"""The volumetric method: inflow from fills, pump flow from drawdowns, pair by pair.

Theory (mass balance). Between two known levels a volume ``V`` goes in or out:

    fill, no pump runs:              q_in = V / t
    drawdown, a fixed set runs:      Q = V / t_on + q_on,   pumped = V + q_on t_on

with ``q_on`` the inflow meanwhile: that of the fill before, or the mean of the fills before and
after. Real floats and contactors do not act at one instant, so an interval counts as a fill or as a
drawdown when one state takes up ``LEAST_SHARE`` of it, and the balance is kept with the true times:
``pumped = V + q T`` over the whole interval ``T``, ``Q = pumped / t_on``.

Errors: half the bracket of either end times the flow there, uniform inside (``/ sqrt 3``), the
repeatability of the floats, and the error of ``q_on``.

Sources: volumetric method, US EPA SESDPROC-109 (by quotation); drawdown pumping rate, South Dakota
DENR; cycle time ``T = V/i + V/(Q - i)`` and its least value ``4 V/Q``, USACE EI 11C201 (1997).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

LEAST_SHARE = 0.9
"""Share of an interval that a fill's idleness, or a drawdown's one set of pumps, takes up."""

OfInflow = Literal["no inflow known", "fill before", "mean of fills before and after"]


@dataclass(frozen=True, slots=True)
class Crossing:
    """The water stood at a known volume.

    Args:
        at_us: middle of the bracket.
        volume_m3: volume at that float's height.
        half_us: half the width of the bracket.
    """

    at_us: int
    volume_m3: float
    half_us: int = 0


@dataclass(frozen=True, slots=True)
class Fill:
    """No pump ran between two crossings."""

    begin_us: int
    end_us: int
    volume_m3: float
    inflow_m3_s: float
    error_m3_s: float


@dataclass(frozen=True, slots=True)
class Drawdown:
    """A fixed set of pumps ran between two crossings.

    Args:
        pumps: positions of the pumps that ran.
        volume_m3: by which the well fell.
        on_s, whole_s: time they ran, and from crossing to crossing.
        inflow_m3_s: taken for the inflow meanwhile; ``of_inflow`` says whence.
        pumped_m3, flow_m3_s: volume pumped and mean flow of the set.
        error_m3_s: standard error of the flow.
    """

    pumps: tuple[int, ...]
    begin_us: int
    end_us: int
    volume_m3: float
    on_s: float
    whole_s: float
    inflow_m3_s: float
    of_inflow: OfInflow
    pumped_m3: float
    flow_m3_s: float
    error_m3_s: float


def fill_inflow_m3_s(volume_m3: float, fill_s: float) -> float:
    """Inflow of a fill, m3/s."""
    return volume_m3 / fill_s


def drawdown_flow_m3_s(
    volume_m3: float, on_s: float, inflow_m3_s: float, whole_s: float | None = None
) -> float:
    """Mean flow of the pumps of a drawdown, m3/s.

    Args:
        volume_m3: by which the well fell.
        on_s: time the pumps ran, s.
        inflow_m3_s: inflow meanwhile.
        whole_s: from crossing to crossing, s; the run time where left out.
    """
    return pumped_m3(volume_m3, on_s if whole_s is None else whole_s, inflow_m3_s) / on_s


def pumped_m3(volume_m3: float, whole_s: float, inflow_m3_s: float) -> float:
    """Volume pumped in a drawdown, m3: what the well lost and what came in meanwhile."""
    return volume_m3 + inflow_m3_s * whole_s


@dataclass(frozen=True, slots=True)
class Cycle:
    """A pump cycle at constant inflow: seconds, starts an hour, and m3 pumped."""

    fill_s: float
    on_s: float
    cycle_s: float
    starts_per_hour: float
    pumped_m3: float


def cycle_at(volume_m3: float, flow_m3_s: float, inflow_m3_s: float) -> Cycle:
    """The cycle of a well: ``T = V/i + V/(Q - i)``.

    Args:
        volume_m3: between stop and start level.
        flow_m3_s: of the pumps, more than the inflow.
        inflow_m3_s: above 0.

    Raises:
        ValueError: the pumps would never stop, or never start.
    """
    if not 0.0 < inflow_m3_s < flow_m3_s:
        raise ValueError("a cycle needs an inflow above 0 and below the pump flow")
    fill_s, on_s = volume_m3 / inflow_m3_s, volume_m3 / (flow_m3_s - inflow_m3_s)
    return Cycle(fill_s, on_s, fill_s + on_s, 3600.0 / (fill_s + on_s), flow_m3_s * on_s)


def least_cycle_s(volume_m3: float, flow_m3_s: float) -> float:
    """Shortest possible cycle, ``4 V/Q``, met when the inflow is half the pump flow."""
    return 4.0 * volume_m3 / flow_m3_s


class PairwiseMeter:
    """Finds fills and drawdowns in the order in which things happen.

    Args:
        repeatability_m3: standard error of a volume at a float.

    Attributes:
        inflow_m3_s, inflow_error_m3_s: of the last fill, or None.
        flows_m3_s: flow of the last drawdown of each set of pumps.
    """

    def __init__(self, repeatability_m3: float = 0.0) -> None:
        self._repeatability_m3 = repeatability_m3
        self._running: tuple[int, ...] = ()
        self._moved_us = 0
        self._on_us: dict[tuple[int, ...], int] = {}
        self._anchor: Crossing | None = None
        self._newest: Crossing | None = None
        self._newest_on_us: dict[tuple[int, ...], int] = {}
        self._state: tuple[int, ...] | None = None
        self.inflow_m3_s: float | None = None
        self.inflow_error_m3_s = 0.0
        self.flows_m3_s: dict[tuple[int, ...], float] = {}

    def pumps_changed(self, running: Sequence[int], at_us: int) -> None:
        """From ``at_us`` on just these pumps run."""
        self._count_to(at_us)
        self._running = tuple(sorted(running))

    def lost(self) -> None:
        """Nobody knows what happens; begin anew with the next crossing."""
        self._anchor = self._newest = self._state = None
        self._on_us, self._newest_on_us = {}, {}

    def crossed(self, crossing: Crossing) -> Fill | Drawdown | None:
        """The water passed a float; returns what ended with the crossing before, if anything.

        Intervals of one kind that follow each other count as one, so a fill is known when the
        first interval that is none ends. ``flush`` tells what there is so far.
        """
        self._count_to(crossing.at_us)
        if self._newest is None or self._anchor is None:
            self._start_from(crossing)
            self._anchor, self._on_us = crossing, {}
            return None
        since_us = {
            pumps: time_us - self._newest_on_us.get(pumps, 0)
            for pumps, time_us in self._on_us.items()
        }
        state = _dominant(since_us)
        found: Fill | Drawdown | None = None
        if self._state is not None and state != self._state:
            found = self.flush()
            self._anchor, self._on_us = self._newest, since_us
        elif self._state is None:
            self._anchor, self._on_us = self._newest, since_us
        self._state = state
        self._start_from(crossing)
        return found

    def flush(self) -> Fill | Drawdown | None:
        """What lies between the first and the newest crossing of the present interval."""
        if self._anchor is None or self._newest is None or self._state is None:
            return None
        whole_us = self._newest.at_us - self._anchor.at_us
        if whole_us <= 0:
            return None
        if self._state == ():
            return self._fill(self._anchor, self._newest, whole_us / 1e6)
        return self._drawdown(self._anchor, self._newest, self._state, whole_us / 1e6)

    def _count_to(self, at_us: int) -> None:
        if self._newest is not None and at_us > self._moved_us:
            counted_us = self._on_us.get(self._running, 0)
            self._on_us[self._running] = counted_us + at_us - self._moved_us
        self._moved_us = max(at_us, self._moved_us)

    def _start_from(self, crossing: Crossing) -> None:
        self._newest, self._newest_on_us = crossing, dict(self._on_us)

    def _fill(self, begin: Crossing, end: Crossing, whole_s: float) -> Fill | None:
        rise_m3 = end.volume_m3 - begin.volume_m3
        for pumps, time_us in self._newest_on_us.items():  # the pump that was still running out
            rise_m3 += self.flows_m3_s.get(pumps, 0.0) * time_us / 1e6 if pumps else 0.0
        if rise_m3 <= 0.0:
            return None
        inflow = fill_inflow_m3_s(rise_m3, whole_s)
        error = self._error_m3(begin, end, inflow) / whole_s
        self.inflow_m3_s, self.inflow_error_m3_s = inflow, error
        return Fill(begin.at_us, end.at_us, rise_m3, inflow, error)

    def _drawdown(
        self, begin: Crossing, end: Crossing, pumps: tuple[int, ...], whole_s: float
    ) -> Drawdown | None:
        fall_m3 = begin.volume_m3 - end.volume_m3
        on_s = self._newest_on_us.get(pumps, 0) / 1e6
        if fall_m3 <= 0.0 or on_s <= 0.0:
            return None
        inflow = self.inflow_m3_s or 0.0
        volume_m3 = pumped_m3(fall_m3, whole_s, inflow)
        flow = volume_m3 / on_s
        self.flows_m3_s[pumps] = flow
        ends = self._error_m3(begin, end, flow) / on_s
        error = sqrt(ends**2 + (self.inflow_error_m3_s * whole_s / on_s) ** 2)
        return Drawdown(
            pumps, begin.at_us, end.at_us, fall_m3, on_s, whole_s, inflow,
            "no inflow known" if self.inflow_m3_s is None else "fill before",
            volume_m3, flow, error,
        )  # fmt: skip

    def _error_m3(self, begin: Crossing, end: Crossing, flow_m3_s: float) -> float:
        brackets = (begin.half_us**2 + end.half_us**2) / 3e12 * flow_m3_s**2
        return sqrt(brackets + 2.0 * self._repeatability_m3**2)


def with_mean_of_fills(drawdown: Drawdown, after: Fill) -> Drawdown:
    """The same drawdown, with the mean of the fills before and after as inflow meanwhile."""
    inflow = 0.5 * (drawdown.inflow_m3_s + after.inflow_m3_s)
    volume_m3 = pumped_m3(drawdown.volume_m3, drawdown.whole_s, inflow)
    return replace(
        drawdown, inflow_m3_s=inflow, of_inflow="mean of fills before and after",
        pumped_m3=volume_m3, flow_m3_s=volume_m3 / drawdown.on_s,
    )  # fmt: skip


def _dominant(on_us: dict[tuple[int, ...], int]) -> tuple[int, ...] | None:
    """The set of pumps that ran nearly all the time; None if there is none."""
    whole_us = sum(on_us.values())
    for pumps, time_us in on_us.items():
        if time_us >= LEAST_SHARE * whole_us > 0:
            return pumps
    return None
