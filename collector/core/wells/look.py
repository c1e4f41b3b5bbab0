"""What the estimator of a well says at one instant.

A look is a copy of the estimator, led up to that instant, and the questions that can be put to it.
Most who look want one or two figures; each is worked out when it is asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from math import sqrt

from collector.core.wells.balance import FIRST_FACTOR, GULP, IN, Q, V, WaterBalance
from collector.core.wells.facts import Figure
from collector.core.wells.pumping import Flows


class Look:
    """The estimate at one instant; SI.

    Args:
        at_us: the instant.
        known: False inside a gap, where only the totals mean anything.
        balance: as it is at that instant; nobody else moves it.
        company: of each pump, with which it last ran.
        unknown_s: time of which nobody knows what ran.
        unknown_most_m3: the most each pump can have pumped in it.
    """

    def __init__(
        self, at_us: int, balance: WaterBalance, company: Sequence[tuple[bool, ...]],
        unknown_s: float, unknown_most_m3: tuple[float, ...], *, known: bool,
    ) -> None:  # fmt: skip
        self.at_us = at_us
        self.known = known
        self.unknown_s = unknown_s
        self.unknown_most_m3 = unknown_most_m3
        self._balance = balance
        self._company = company

    @property
    def doubtful(self) -> bool:
        """Whether nobody knows how some pump runs: then all but its outflow is still estimated."""
        return True in self._balance.doubtful

    @property
    def doubtful_s(self) -> tuple[float, ...]:
        """For how long that has been so, of each pump; the last is that of any pump."""
        return tuple(us * 1e-6 for us in self._balance.doubtful_us)

    @property
    def volume_m3(self) -> Figure:
        """Of the water in the well."""
        return self._balance.entry(V)

    @property
    def level_m(self) -> Figure:
        """Of the water in the well."""
        volume, geometry = self.volume_m3, self._balance.facts.geometry
        level_m = geometry.level_m(max(volume.value, 0.0))
        return Figure(level_m, volume.error / geometry.area_m2(level_m))

    @property
    def inflow_m3_s(self) -> Figure:
        """At this instant, with what is sent from upstream just now."""
        own = self._balance.figure(((Q, 1.0), (GULP, 1.0)))
        flow, error = self._balance.upstream
        return Figure(max(0.0, own.value + flow), sqrt(own.error**2 + error**2))

    @property
    def mean_inflow_m3_s(self) -> Figure:
        """In the mean of some minutes, and of an hour as to what is sent."""
        own = self._balance.entry(Q)
        return Figure(max(0.0, own.value + self._balance.upstream_mean_m3_s), own.error)

    @property
    def outflow_m3_s(self) -> Figure:
        """Of the running pumps together."""
        return self._balance.summed(self._flows)

    @property
    def factors(self) -> tuple[Figure, ...]:
        """Of the pumps; with curves the wear factors."""
        return self._of_pumps(FIRST_FACTOR)

    @cached_property
    def flows_m3_s(self) -> tuple[Figure, ...]:
        """Of each pump: as it runs; else at the middle of the working range, as fast and in the
        company in which it last ran."""
        return tuple(self._flow_of(pump) for pump in range(self._balance.count))

    @property
    def pumped_m3(self) -> tuple[Figure, ...]:
        """By each pump since the start, as far as known.

        The errors are those of the estimator, without what its model leaves out
        (``MODEL_SHARE``).
        """
        return self._of_pumps(self._balance.first_pumped)

    @property
    def pumped_total_m3(self) -> Figure:
        """By all pumps; see ``pumped_m3``."""
        first, count = self._balance.first_pumped, self._balance.count
        return self._balance.figure([(first + pump, 1.0) for pump in range(count)])

    @property
    def inflow_total_m3(self) -> Figure:
        """What came in; see ``pumped_m3``."""
        return self._balance.entry(IN)

    @property
    def spread_m3(self) -> tuple[float, ...]:
        """Standard error of the flow of each pump, summed over time.

        Of a period the difference counts: so far may its volume be off if the error of the flow
        lasts.
        """
        return tuple(self._balance.spread_m3)

    @property
    def spread_total_m3(self) -> float:
        """The same of all pumps together."""
        return self._balance.spread_total_m3

    @property
    def overflow_m3(self) -> float:
        """What must have gone over the edge, were expectation right."""
        return self._balance.overflow_m3

    # --- flows ----------------------------------------------------------------------------------

    @cached_property
    def _flows(self) -> Flows:
        return self._balance.flows(self._balance.running)

    def _of_pumps(self, first: int) -> tuple[Figure, ...]:
        return tuple(self._balance.entry(first + pump) for pump in range(self._balance.count))

    def _flow_of(self, pump: int) -> Figure:
        balance = self._balance
        if balance.running[pump]:
            flows = self._flows
        else:
            flows = balance.flows_mid_range(self._company[pump])
        along = list(enumerate(flows.per_factor[pump], FIRST_FACTOR))
        return Figure(flows.m3_s[pump], sqrt(balance.state.variance(along)))
