"""What the pumps of a well give, as a function of level, running set and factors to be learnt.

The estimator knows pumps only through ``PumpFlows``. With curves (``CurvePumps``) the factors are
the wear factors: the share of the curve's flow at equal head; curve and main turn them into flows.
Without (``PlainPumps``) the factors are the flows themselves in a unit of their own, with a prior
so wide that the first drawdowns settle them, and one more factor says what is left of the sum when
pumps share the main.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from collector.core.hydraulics.curves import PumpCurve
from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import RunningPump, operating_point

NODE_SPACING_M = 0.05
"""Levels at which operating points are solved; straight between, to 1e-5 of a usual flow."""

SPEED_STEP = 0.001
"""Shares of full speed are rounded to this before operating points are solved."""

MOST_SOLVED = 5_000
"""Operating points kept; a pump of variable speed would gather ever more of them."""

FACTOR_STEP = 0.05
"""Wear factors at which operating points are solved; first order between, to some 1e-4."""

PLAIN_EMPTYING_S = 300.0
"""Without a curve: a pump empties its working volume in about this time, before anything is seen.
Common practice, no source; the prior is three times as wide as its mean."""

PLAIN_PRIOR_SD = 3.0
TOGETHER_PRIOR = (0.9, 0.15)
"""Without a curve: share of the sum that several pumps give together; one main costs some of it."""


@dataclass(frozen=True, slots=True)
class Factor:
    """A factor to be learnt: mean and standard deviation before anything was seen."""

    name: str
    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Flows:
    """What running pumps give.

    Args:
        m3_s: of each pump, 0 for one that stands.
        per_m: growth of each with the level, m3/s per m.
        per_factor: row i: growth of pump i's flow with each factor, m3/s.
    """

    m3_s: list[float]
    per_m: list[float]
    per_factor: list[list[float]]


class PumpFlows(Protocol):
    """What the pumps of one well give; the first factors belong to the pumps, one each."""

    @property
    def names(self) -> tuple[str, ...]:
        """The pumps."""
        ...

    @property
    def factors(self) -> tuple[Factor, ...]:
        """Factors to be learnt; those of the pumps come first."""
        ...

    @property
    def has_curves(self) -> bool:
        """Whether a factor of 1 means a new pump."""
        ...

    def flows(
        self, running: Sequence[bool], level_m: float, factors: Sequence[float],
        speeds: tuple[float, ...],
    ) -> Flows:  # fmt: skip
        """Flows at a level; see ``Flows``.

        Args:
            speeds: shares of full speed, of all pumps.
        """
        ...


class PlainPumps:
    """Pumps of which nothing is known but what they do: flow does not depend on the level.

    It goes with the speed, as by the affinity laws where there is little lift; with more lift a
    slow pump gives less than that, which is then learnt like wear.

    Args:
        names: the pumps.
        working_m3: volume between stop and start level, which sets the unit of the factors.
    """

    has_curves = False

    def __init__(self, names: Sequence[str], working_m3: float) -> None:
        self.names = tuple(names)
        self._unit_m3_s = working_m3 / PLAIN_EMPTYING_S
        own = [Factor(name, 1.0, PLAIN_PRIOR_SD) for name in names]
        shared = [Factor("together", *TOGETHER_PRIOR)] if len(own) > 1 else []
        self.factors = (*own, *shared)

    def flows(
        self, running: Sequence[bool], level_m: float, factors: Sequence[float],
        speeds: tuple[float, ...],
    ) -> Flows:  # fmt: skip
        """Flows; see ``PumpFlows``."""
        del level_m
        count = len(self.names)
        together = sum(running) > 1
        share = factors[count] if together else 1.0
        flows = [0.0] * count
        rows = [[0.0] * len(factors) for _ in range(count)]
        for i in range(count):
            if running[i]:
                unit = self._unit_m3_s * speeds[i]
                flows[i] = unit * factors[i] * share
                rows[i][i] = unit * share
                if together:
                    rows[i][count] = unit * factors[i]
        return Flows(flows, [0.0] * count, rows)


class CurvePumps:
    """Pumps with curves into a main that is known.

    Args:
        pumps: name and curve of each.
        main: they share it.
        tolerance: standard deviation of a wear factor before anything was seen.
    """

    has_curves = True

    def __init__(
        self, pumps: Sequence[tuple[str, PumpCurve]], main: Main, tolerance: float
    ) -> None:
        self.names = tuple(name for name, _ in pumps)
        self.factors = tuple(Factor(name, 1.0, tolerance) for name in self.names)
        self._curves = [curve for _, curve in pumps]
        self._main = main
        self._solved: dict[tuple[int, tuple[int, ...], tuple[float, ...]], Flows] = {}

    def flows(
        self, running: Sequence[bool], level_m: float, factors: Sequence[float],
        speeds: tuple[float, ...],
    ) -> Flows:  # fmt: skip
        """Flows; see ``PumpFlows``."""
        place = level_m / NODE_SPACING_M
        node = int(place // 1.0)
        share = place - node
        count = len(self.names)
        steps = [0] * count
        ran = []  # which pumps, and how far the factor of each is from where points are solved
        for i, runs in enumerate(running):
            if runs:
                factor = factors[i]
                step = steps[i] = round(min(max(factor, FACTOR_STEP), 3.0) / FACTOR_STEP)
                ran.append((i, factor - FACTOR_STEP * step))
        key = tuple(steps)
        low = self._solve(node, key, speeds)
        high = self._solve(node + 1, key, speeds)
        flows, slopes, rows = [0.0] * count, [0.0] * count, low.per_factor[:]
        for i, _ in ran:
            begin, end = low.m3_s[i], high.m3_s[i]
            low_row, high_row = low.per_factor[i], high.per_factor[i]
            row = rows[i] = [0.0] * count
            for j, off in ran:
                a, b = low_row[j], high_row[j]
                begin += off * a
                end += off * b
                row[j] = a + share * (b - a)
            flows[i] = max(0.0, begin + share * (end - begin))
            slopes[i] = (end - begin) / NODE_SPACING_M
        return Flows(flows, slopes, rows)

    def _solve(self, node: int, steps: tuple[int, ...], speeds: tuple[float, ...]) -> Flows:
        """Operating point at a node; depends on nothing but what is asked, so it may be kept."""
        key = (node, steps, speeds)
        found = self._solved.get(key)
        if found is None:
            ran = [i for i, step in enumerate(steps) if step]
            point = operating_point(
                [RunningPump(self._curves[i], speeds[i], FACTOR_STEP * steps[i]) for i in ran],
                self._main,
                self._main.lift_m(node * NODE_SPACING_M),
            )
            count = len(steps)
            found = Flows([0.0] * count, [0.0] * count, [[0.0] * count for _ in range(count)])
            for position, i in enumerate(ran):
                found.m3_s[i] = point.flows_m3_s[position]
                for other, j in enumerate(ran):
                    found.per_factor[i][j] = point.flows_per_wear_m3_s[position][other]
            if len(self._solved) >= MOST_SOLVED:
                self._solved.clear()
            self._solved[key] = found
        return found
