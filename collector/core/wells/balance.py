"""The water of one well between instants: the moving part of the estimator (``estimator.py``).

Between instants ``dV/dt = q + u - sum g_i(level, w)`` with ``g`` of ``pumping.py`` and ``u`` from
upstream. While nothing runs this is solved exactly; while pumps run, ``g`` is made straight in the
level and the exponential that follows is taken, in steps short against the well. The noise of the
inflow is a random walk with its exact covariance, and gulps.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, sqrt

from collector.core.wells.facts import Figure, WellFacts
from collector.core.wells.gaussian import Direction, Gaussian
from collector.core.wells.pumping import Flows, PumpFlows

# Tuning. Each was chosen on simulated plants other than those it is tested on.
INFLOW_DRIFT_PER_ROOT_HOUR = 0.35
"""Relative change of the inflow in an hour, as a random walk."""

GULP_SHARE = 0.04
"""Inflow comes in gulps of this share of the working volume (a bath, a shower block)."""

GULP_S = 120.0
"""A gulp takes about this long to come."""

WEAR_DRIFT_PER_ROOT_DAY = 0.01
"""Change of a pump's factor in a day, as a random walk."""

METER_BIAS_M = 0.03
METER_DRIFT_M_PER_ROOT_DAY = 0.002
"""Standard error of the zero of a level meter, and its wandering. Common practice, no source."""

UNREST_LEARNING = 0.05
UNREST_SPAN = (0.02, 50.0)
"""How fast, and how far, the noise of the inflow follows what the crossings say of it."""

WEAR_SURPRISE = 0.01
"""What the n-th surprise in a row adds to the standard deviation of the factor of a pump that runs,
over n squared: one is an inflow as a rule, several in a row are the pump."""

STEP_SHARE = 0.25
"""While pumps run, a step may move this share of the working volume."""

LEAST_STEP_S = 1.0
LONGEST_STEP_S = 3600.0
CORRELATED_S = 60.0
"""The error of what upstream sends counts as constant for so long."""

UPSTREAM_MEAN_S = 3600.0
"""Time over which the mean of what upstream sends is taken."""

EDGE_SHARE = 0.05
"""Standard error, as share of the working volume, of a well that overflows."""

HOUR_S, DAY_S = 3600.0, 86400.0
V, Q, GULP, IN, FIRST_FACTOR = 0, 1, 2, 3, 4
"""Places in the state: volume, inflow in the mean of some minutes and its gulps beside that,
volume in; then factors, volumes pumped, meter bias."""


class WaterBalance:
    """State of a well and its way through time; see ``estimator.py``.

    Args:
        facts: of the well.
        pumps: what its pumps give.
        start_us: plant time at which watching begins.

    Attributes:
        at_us: instant of the state.
        running: which pumps run, as far as anybody knows how.
        speeds: shares of full speed; of a pump that stands, that at which it last ran.
        doubtful: of which pumps nobody knows how they run.
        doubtful_us: for how long that has been so, of each pump and of any.
        unknown_us: time of which nobody knows what ran at all.
        upstream: what known pumps upstream send, m3/s, and its standard error.
        overflow_m3: what must have gone over the edge.
        upstream_mean_m3_s: what they sent in the mean of the last hour or so.
        spread_m3, spread_total_m3: of each pump and of all: standard error of the flow, summed over
            time, which is how far the volume may be off if that error stays what it is.
        surprises_in_a_row: of each pump, while it ran.
        unrest: how much the inflow varies, as a multiple of what the tuning says (variance).
    """

    def __init__(self, facts: WellFacts, pumps: PumpFlows, start_us: int) -> None:
        self.facts = facts
        self.pumps = pumps
        self.at_us = start_us
        self.working_m3 = facts.working_m3
        self.middle_m = facts.middle_m
        self.count = len(pumps.names)
        self.running: tuple[bool, ...] = (False,) * self.count
        self.speeds = self._full_speed = (1.0,) * self.count
        self.doubtful: tuple[bool, ...] = (False,) * self.count
        self.doubtful_us = [0] * (self.count + 1)
        self.unknown_us = 0
        self.upstream = (0.0, 0.0)
        self.overflow_m3 = 0.0
        self.unrest = 1.0
        self.upstream_mean_m3_s = 0.0
        self.spread_m3 = [0.0] * self.count
        self.spread_total_m3 = 0.0
        self.surprises_in_a_row = [0] * self.count
        geometry = facts.geometry
        self.edge_m3 = None if facts.overflow_m is None else geometry.volume_m3(facts.overflow_m)
        top_m = max([each.makes_m for each in facts.floats.values()] or [1.0])
        self.top_m3 = self.edge_m3 or 1.2 * geometry.volume_m3(top_m)
        self.least_inflow_m3_s = self.working_m3 / (0.5 * DAY_S)
        self.first_pumped = FIRST_FACTOR + len(pumps.factors)
        self.bias = self.first_pumped + self.count if facts.metered else None
        self.state = self._prior()

    def _prior(self) -> Gaussian:
        size = self.first_pumped + self.count + (self.bias is not None)
        x = [0.0] * size
        p = [[0.0] * size for _ in range(size)]
        x[Q] = self.working_m3 / HOUR_S
        p[Q][Q] = (2.0 * x[Q]) ** 2
        for k, factor in enumerate(self.pumps.factors, FIRST_FACTOR):
            x[k] = factor.mean
            p[k][k] = factor.sd**2
        if self.bias is not None:
            p[self.bias][self.bias] = METER_BIAS_M**2
        return Gaussian(x, p)

    # --- letting time pass ----------------------------------------------------------------------

    def advance(self, to_us: int) -> None:
        """Let time pass up to ``to_us``; an earlier instant changes nothing."""
        while self.at_us < to_us:
            left_s = (to_us - self.at_us) * 1e-6
            step_s = left_s
            if True in self.running:
                flows = self.flows(self.running)
                net = self.state.x[Q] + self.state.x[GULP] + self.upstream[0] - sum(flows.m3_s)
                longest = STEP_SHARE * self.working_m3 / abs(net) if net else LONGEST_STEP_S
                step_s = min(left_s, max(LEAST_STEP_S, min(longest, LONGEST_STEP_S)))
                self._pump_for(step_s, flows, net)
            else:
                self._fill_for(step_s)
            if True in self.doubtful:
                self._doubt_for(step_s)
            sent = self.upstream[0]
            if sent or self.upstream_mean_m3_s:
                left = exp(-step_s / UPSTREAM_MEAN_S)
                self.upstream_mean_m3_s = sent + (self.upstream_mean_m3_s - sent) * left
            self.at_us = to_us if step_s == left_s else self.at_us + round(step_s * 1e6)
            if self.edge_m3 is not None and self.state.x[V] > self.edge_m3:
                self._spill()

    def _fill_for(self, step_s: float) -> None:
        state = self.state
        fade = exp(-step_s / GULP_S)
        lasting_s = GULP_S * (1.0 - fade)
        gained = (state.x[Q] + self.upstream[0]) * step_s + state.x[GULP] * lasting_s
        state.x[V] += gained
        state.x[IN] += gained
        state.x[GULP] *= fade
        along = ((Q, step_s), (GULP, lasting_s))
        state.transform(((V, along), (IN, along), (GULP, ((GULP, fade - 1.0),))))
        self._add_inflow_noise(step_s, fade)

    def _pump_for(self, step_s: float, flows: Flows, net: float) -> None:
        """A step in which pumps run; ``net`` is the net flow at its begin."""
        state, first = self.state, self.first_pumped
        per_m3 = 1.0 / self.area_m2()
        decay = sum(flows.per_m) * per_m3
        bent = decay * step_s
        if abs(bent) > 1e-6:
            travel = (1.0 - exp(-bent)) / decay
            swing = (step_s - travel) / decay
        else:
            swing = 0.5 * step_s * step_s
            travel = step_s - decay * swing  # so that the balance closes exactly
        fade = exp(-step_s / GULP_S)
        lasting_s = GULP_S * (1.0 - fade)
        # The fading of the gulp inside the step is booked apart from the exponential.
        faded = state.x[GULP] * (lasting_s - step_s)
        state.x[V] += net * travel + faded
        state.x[IN] += (state.x[Q] + self.upstream[0]) * step_s + state.x[GULP] * lasting_s
        state.x[GULP] *= fade
        together = _by_factor(flows)
        error = sqrt(state.variance(together))
        self.spread_total_m3 += error * step_s
        several = sum(self.running) > 1
        rows: list[tuple[int, Direction]] = []
        for i, flow in enumerate(flows.m3_s):
            if not self.running[i]:
                continue
            mine = flows.per_factor[i]
            if several:
                error = sqrt(state.variance([(k, mine[k - FIRST_FACTOR]) for k, _ in together]))
            self.spread_m3[i] += error * step_s
            slope = flows.per_m[i] * per_m3
            state.x[first + i] += flow * step_s + slope * net * swing
            terms = [(V, slope * travel), (Q, slope * swing), (GULP, slope * swing)]
            for k, by_all in together:
                terms.append((k, mine[k - FIRST_FACTOR] * step_s - slope * swing * by_all))
            rows.append((first + i, terms))
        rows += [
            (IN, [(Q, step_s), (GULP, lasting_s)]),
            (V, [(V, -decay * travel), (Q, travel), (GULP, travel + lasting_s - step_s),
                 *((k, -c * travel) for k, c in together)]),
            (GULP, [(GULP, fade - 1.0)]),
        ]  # fmt: skip
        state.transform(rows)
        self._add_inflow_noise(step_s, fade)

    def _doubt_for(self, step_s: float) -> None:
        """A step in which nobody knows how some pumps run.

        Each may stand or give its most; in the mean it takes its share of what comes, and in runs
        as long as one that empties the well. What the floats see of it is booked with it.
        """
        x, most = self.state.x, self.most_flows()
        came = max(0.0, x[Q] + self.upstream_mean_m3_s)
        for i, doubtful in enumerate(self.doubtful):
            if not doubtful or most[i] <= 0.0:
                continue
            mean_m3 = min(most[i], came / self.count) * step_s
            x[V] -= mean_m3
            x[self.first_pumped + i] += mean_m3
            error = 0.5 * most[i]
            run_s = self.working_m3 / most[i]
            along = ((V, -1.0), (self.first_pumped + i, 1.0))
            self.state.add_noise(along, error * error * run_s * step_s)
            self.spread_m3[i] += error * step_s
            self.spread_total_m3 += error * step_s
            self.doubtful_us[i] += round(step_s * 1e6)
        self.doubtful_us[-1] += round(step_s * 1e6)

    def _add_inflow_noise(self, step_s: float, fade: float) -> None:
        """What the inflow does of its own accord, and what wear and the meter do meanwhile."""
        state = self.state
        drift = self.drift(step_s)
        # Gulps: a flow that fades exponentially, with its exact covariance.
        inflow = max(state.x[Q], self.least_inflow_m3_s)
        strength = self.unrest * GULP_SHARE * self.working_m3 * inflow / (2.0 * GULP_S)
        flow_flow = strength * (1.0 - fade * fade)
        flow_volume = strength * GULP_S * (1.0 - fade) ** 2
        gulps = strength * GULP_S * (2.0 * step_s - GULP_S * (3.0 - fade * (4.0 - fade)))
        if flow_flow:  # rounding apart, never less than what goes with the flow
            gulps = max(gulps, flow_volume * flow_volume / flow_flow)
        error = self.upstream[1]
        volume = drift * step_s * step_s / 3.0 + gulps + error * error * step_s * CORRELATED_S
        trend_volume = 0.5 * step_s * drift
        p = state.p
        of_volume, of_trend, of_gulp, of_come = p[V], p[Q], p[GULP], p[IN]
        for row in (of_volume, of_come):
            row[V] += volume
            row[IN] += volume
            row[Q] += trend_volume
            row[GULP] += flow_volume
        of_trend[V] += trend_volume
        of_trend[IN] += trend_volume
        of_trend[Q] += drift
        of_gulp[V] += flow_volume
        of_gulp[IN] += flow_volume
        of_gulp[GULP] += flow_flow
        worn = WEAR_DRIFT_PER_ROOT_DAY**2 * step_s / DAY_S
        for k in range(FIRST_FACTOR, self.first_pumped):
            p[k][k] += worn * state.x[k] * state.x[k]
        if self.bias is not None:
            p[self.bias][self.bias] += METER_DRIFT_M_PER_ROOT_DAY**2 * step_s / DAY_S

    def drift(self, step_s: float) -> float:
        """Variance that the inflow gains in a time."""
        inflow = max(self.state.x[Q], self.least_inflow_m3_s)
        return self.unrest * (INFLOW_DRIFT_PER_ROOT_HOUR * inflow) ** 2 * step_s / HOUR_S

    def _spill(self) -> None:
        """The expected volume is beyond the edge: the rest has gone over it, as far as known."""
        state = self.state
        edge_m3 = self.edge_m3 or 0.0
        spread = state.p[V][V]
        self.overflow_m3 += state.x[V] - edge_m3
        for row in state.p:
            row[V] = 0.0
        state.p[V] = [0.0] * len(state.x)
        state.p[V][V] = min(spread, (0.05 * self.working_m3) ** 2)
        state.x[V] = edge_m3

    def net_flow(self) -> tuple[float, Direction]:
        """Net flow into the well, and how it depends on the state."""
        net = self.state.x[Q] + self.state.x[GULP] + self.upstream[0]
        along = [(Q, 1.0), (GULP, 1.0)]
        if True in self.running:
            flows = self.flows(self.running)
            net -= sum(flows.m3_s)
            along += [(k, -c) for k, c in _by_factor(flows)]
        return net, along

    def keep_sense(self) -> None:
        """No pump's factor is negative, and the inflow not for sure.

        An inflow of nearly nothing may be expected below it by up to a standard error: cutting
        every such estimate off at 0 would, time after time, push the mean up.
        """
        x, p = self.state.x, self.state.p
        for k in range(FIRST_FACTOR, self.first_pumped):
            if x[k] < 0.0:
                self.state.truncate(((k, 1.0),), x[k], 0.0, above=True)
        if x[Q] < 0.0 and x[Q] * x[Q] > p[Q][Q]:
            self.state.truncate(((Q, 1.0),), x[Q], 0.0, above=True)

    def widen(self, more: float) -> None:
        """Let the volume be more uncertain by a variance: a gulp, or a step of the inflow."""
        state = self.state
        inflow_s = self.working_m3 / max(state.x[Q] + self.upstream[0], self.least_inflow_m3_s)
        if more <= 0.0:
            return
        part = 0.5 * more
        state.add_noise(((V, 1.0), (IN, 1.0)), part)
        state.add_noise(((V, 1.0), (IN, 1.0), (Q, 1.0 / inflow_s)), part)

    def doubt_pumps(self, *, surprised: bool) -> None:
        """Let pumps that run have changed, the more the longer they have been surprising."""
        state = self.state
        for i, runs in enumerate(self.running):
            if runs:
                row = self.surprises_in_a_row[i] = (
                    self.surprises_in_a_row[i] + 1 if surprised else 0
                )
                k = FIRST_FACTOR + i
                state.p[k][k] += (WEAR_SURPRISE * row * row * state.x[k]) ** 2

    def learn_unrest(self, squared: float, share: float) -> None:
        """Follow how far crossings are off.

        Args:
            squared: square of a deviation over its variance; 1 in the mean if all is well.
            share: of that variance which is the well's own.
        """
        if True in self.doubtful:
            return  # then expectation is vague for another reason
        low, high = UNREST_SPAN
        by = exp(UNREST_LEARNING * share * (min(squared, 9.0) - 1.0))
        self.unrest = min(max(self.unrest * by, low), high)

    # --- flows ----------------------------------------------------------------------------------

    def flows(self, running: Sequence[bool]) -> Flows:
        """What pumps give at the level of now and the speeds of now."""
        x = self.state.x
        volume_m3 = min(max(x[V], 0.0), self.top_m3)
        level_m = self.facts.geometry.level_m(volume_m3)
        factors = x[FIRST_FACTOR : self.first_pumped]
        flows = self.pumps.flows(running, level_m, factors, self.speeds)
        if volume_m3 == x[V]:
            return flows
        return Flows(flows.m3_s, [0.0] * self.count, flows.per_factor)  # held at the end

    def flows_mid_range(self, running: Sequence[bool]) -> Flows:
        """What pumps give at the middle of the working range, where the level is in the mean."""
        factors = self.state.x[FIRST_FACTOR : self.first_pumped]
        return self.pumps.flows(running, self.middle_m, factors, self.speeds)

    def summed(self, flows: Flows) -> Figure:
        """What pumps give together, m3/s."""
        return Figure(sum(flows.m3_s), sqrt(self.state.variance(_by_factor(flows))))

    def area_m2(self) -> float:
        geometry = self.facts.geometry
        return geometry.area_m2(geometry.level_m(min(max(self.state.x[V], 0.0), self.top_m3)))

    def most_flows(self) -> list[float]:
        """What each pump could give at most: alone, at full speed, at the top, and two standard
        errors above."""
        x, p = self.state.x, self.state.p
        factors = [x[k] + 2.0 * sqrt(p[k][k]) for k in range(FIRST_FACTOR, self.first_pumped)]
        top_m = self.facts.geometry.level_m(self.top_m3)
        found = []
        for i in range(self.count):
            alone = [k == i for k in range(self.count)]
            found.append(self.pumps.flows(alone, top_m, factors, self._full_speed).m3_s[i])
        return found

    def entry(self, index: int) -> Figure:
        """One entry of the state."""
        return Figure(self.state.x[index], sqrt(max(0.0, self.state.p[index][index])))

    def figure(self, along: Direction) -> Figure:
        """A sum of entries of the state, each times a factor."""
        x = self.state.x
        value = sum(factor * x[index] for index, factor in along)
        return Figure(value, sqrt(self.state.variance(along)))


def _by_factor(flows: Flows) -> list[tuple[int, float]]:
    """How the flow of all pumps together grows with each factor that it depends on."""
    rows = [row for row in flows.per_factor if any(row)]  # of the pumps that run
    summed = rows[0] if len(rows) == 1 else map(sum, zip(*rows, strict=True))
    return [(k, total) for k, total in enumerate(summed, FIRST_FACTOR) if total]
