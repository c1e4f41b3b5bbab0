"""The recursive estimator of one well: an extended Kalman filter over everything that happens.

State: volume in the well ``V``, inflow ``q`` (but for what known pumps upstream send), volume that
came in ``I``, a factor ``w`` for each pump, volume pumped ``A`` by each, and where the level is
metered the meter's bias. ``I`` and ``A`` are in the state so that a float crossing corrects, with
hindsight, what flowed before it; every correction keeps ``V = V0 + I - sum A`` exactly.

Between instants ``dV/dt = q + u - sum g_i(level, w)`` with ``g`` of ``pumping.py`` and ``u`` from
upstream. While nothing runs this is solved exactly; while pumps run, ``g`` is made straight in the
level and the exponential that follows is taken, in steps short against the well. A crossing is an
observation of ``V`` at the float's height, uncertain by its bracket times the net flow and by the
float. Three things a plain filter does not have:

* A float that has not moved says that the water has not passed it (a truncated distribution).
* Crossings are met more often while water moves fast, so an observed crossing weighs the
  distribution by the net flow: the count of level crossings of S. O. Rice, Bell Syst. Tech. J. 23
  (1944) 282. Without it, a pump that starts at the peak of an inflow seems weak.
* A crossing far from expectation that fits all other floats is the water's doing: expectation
  widens until it is believable. One that does not fit, or that no pump could bring about, is the
  float's: it is not used, and the float says nothing until it moves in earnest.

Not in the stated errors: heights, areas and volumes given wrongly. They scale all volumes alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import replace
from math import sqrt
from typing import TypeAlias, cast

from collector.core.component import Saved
from collector.core.wells.balance import GULP, HOUR_S, IN, Q, V, WaterBalance
from collector.core.wells.contact_states import FloatState, Runs
from collector.core.wells.facts import WellFacts
from collector.core.wells.gaussian import Gaussian
from collector.core.wells.look import Look
from collector.core.wells.pumping import SPEED_STEP, PumpFlows

Plain: TypeAlias = int | float | str | None

FLOAT_REPEATABILITY_M = 0.003
"""Standard error of the height at which a float moves. Common practice, no source."""

METER_ERROR_M = 0.006
"""Standard error of a reading of a level meter. Common practice, no source."""

GATE = 12.0
"""Square of the deviation, in standard errors, beyond which a crossing is a surprise."""

LONGEST_BACK_S = 60.0
"""So far before the last input figures are led back."""

FASTEST_S = 60.0
"""In less than this no pump and no inflow moves the working volume; a float that says so bounces.
Common practice, no source: well under a minimum cycle of some ten minutes."""

DOUBTS = 2
"""Crossings of others a float may deny before it is the one not believed."""

LONGEST_BRACKET_US = 60_000_000
"""A float that moved inside a wider bracket tells where the water is, not when it passed."""


class Estimator(WaterBalance):
    """The estimator of one well.

    Args:
        facts: of the well.
        pumps: what its pumps give.
        start_us: plant time at which watching begins; nothing is known until ``find``.

    Attributes:
        surprises: crossings that made expectation widen.
        refused: crossings that were not believed.
    """

    def __init__(self, facts: WellFacts, pumps: PumpFlows, start_us: int) -> None:
        super().__init__(facts, pumps, start_us)
        geometry = facts.geometry
        self._floats = {
            role: FloatState(
                geometry.volume_m3(each.makes_m), geometry.volume_m3(each.breaks_m),
                FLOAT_REPEATABILITY_M * geometry.area_m2(each.makes_m),
            )
            for role, each in facts.floats.items()
        }  # fmt: skip
        self.known = False
        self._company = [tuple(k == i for k in range(self.count)) for i in range(self.count)]
        self._looked: Look | None = None  # the newest look, until something happens
        self._runs = [Runs(False)] * self.count
        self._unknown_most_m3 = [0.0] * self.count
        self.surprises = 0
        self.refused = 0

    # --- what happens ---------------------------------------------------------------------------

    def float_seen(self, role: str, made: bool | None) -> None:
        """A float stands so, without its movement having been seen; None: not known."""
        self._looked = None
        self._floats[role].made = made

    def float_moved(self, role: str, made: bool, after_us: int, by_us: int) -> None:
        """A float made or broke inside a bracket."""
        self._looked = None
        switch = self._floats[role]
        middle_us = (after_us + by_us) // 2
        if not self.known or by_us - after_us > LONGEST_BRACKET_US:
            switch.made, switch.moved_us = made, middle_us
            return
        self.advance(middle_us)
        switch.made = made
        self._cross(role, switch, middle_us, (by_us - after_us) * 0.5e-6)
        switch.moved_us = middle_us

    def pump_moved(self, pump: int, runs: bool | None, after_us: int, by_us: int) -> None:
        """A pump started or stopped inside a bracket; None: nobody knows from then on."""
        self._change(pump, replace(self._runs[pump], made=runs), after_us, by_us)

    def speed_changed(self, pump: int, share: float | None, after_us: int, by_us: int) -> None:
        """The speed of a pump changed inside a bracket.

        Args:
            share: of full speed; None: nobody knows from then on.
        """
        if share is not None:
            share = SPEED_STEP * round(share / SPEED_STEP)
        self._change(pump, replace(self._runs[pump], speed=share), after_us, by_us)

    def _change(self, pump: int, runs: Runs, after_us: int, by_us: int) -> None:
        before, self._looked = self._runs[pump], None
        moves = before.known or runs.known or before.doubtful is not runs.doubtful
        if before == runs or not moves or not self.known:
            self._runs[pump] = runs
            self._note_runs()
            return
        middle_us = (after_us + by_us) // 2
        self.advance(middle_us)
        self._respect_floats(None)
        ran, gave = self.running, self.flows(self.running)
        self._runs[pump] = runs
        self._note_runs()
        give = self.flows(self.running)
        # Late news, and the bracket: what the set gives more now than before.
        late_s = max(0, self.at_us - middle_us) * 1e-6
        error_s = (by_us - after_us) * 0.5e-6 / sqrt(3.0)
        along: list[tuple[int, float]] = []
        total = 0.0
        for i in range(self.count):
            more = give.m3_s[i] - gave.m3_s[i]
            if more != 0.0:
                along.append((self.first_pumped + i, more))
                self.state.x[self.first_pumped + i] += more * late_s
                total += more
        self.state.x[V] -= total * late_s
        along.append((V, -total))
        self.state.add_noise(along, error_s**2)
        together = tuple(one or other for one, other in zip(ran, self.running, strict=True))
        for i in range(self.count):
            if together[i]:
                self._company[i] = together

    def _note_runs(self) -> None:
        self.running = tuple(each.known for each in self._runs)
        self.doubtful = tuple(each.doubtful for each in self._runs)
        self.speeds = tuple(
            each.speed if each.known and each.speed is not None else last
            for each, last in zip(self._runs, self.speeds, strict=True)
        )

    def level_read(self, level_m: float, after_us: int, by_us: int) -> None:
        """The level meter shows a level."""
        if not self.known or self.bias is None:
            return
        self._looked = None
        self.advance((after_us + by_us) // 2)
        geometry = self.facts.geometry
        area_m2 = geometry.area_m2(level_m)
        along = [(V, 1.0 / area_m2), (self.bias, 1.0)]
        expected_m = geometry.level_m(self.state.x[V]) + self.state.x[self.bias]
        noise = METER_ERROR_M**2
        off = level_m - expected_m
        spread = self.state.variance(along) + noise
        if off * off > GATE * spread:
            self.widen((off * off - spread) * area_m2 * area_m2)
        self.learn_unrest(off * off / spread, (spread - noise) / spread)
        self.state.observe(along, off, noise)
        self.keep_sense()

    def upstream_changed(self, flow_m3_s: float, error_m3_s: float, at_us: int) -> None:
        """Known pumps upstream send this much from ``at_us`` on."""
        self._looked = None
        if self.known:
            self.advance(at_us)
            late_s = max(0, self.at_us - at_us) * 1e-6
            late_m3 = (flow_m3_s - self.upstream[0]) * late_s
            self.state.x[V] += late_m3
            self.state.x[IN] += late_m3
        self.upstream = (flow_m3_s, error_m3_s)

    def lose(self, at_us: int) -> None:
        """From ``at_us`` on nobody knows what runs."""
        self._looked = None
        if self.known:
            self.advance(at_us)
            self.known = False

    def find(self, at_us: int) -> None:
        """From ``at_us`` on it is known again what runs; the floats say where the water is."""
        if self.known:
            return
        self._looked = None
        gap_us = max(0, at_us - self.at_us)
        most = self.most_flows()
        self.unknown_us += gap_us
        for i in range(self.count):
            self._unknown_most_m3[i] += most[i] * gap_us * 1e-6
        self.at_us = max(at_us, self.at_us)
        self.known = True
        low_m3, high_m3 = self.band_m3()
        state = self.state
        for row in state.p:
            row[V] = 0.0
        state.p[V] = [0.0] * len(state.x)
        state.x[V] = 0.5 * (low_m3 + high_m3)
        state.p[V][V] = (high_m3 - low_m3) ** 2 / 12.0
        grown = self.drift(gap_us * 1e-6)
        state.p[Q][Q] += min(grown, (2.0 * max(state.x[Q], self.working_m3 / HOUR_S)) ** 2)

    def band_m3(self) -> tuple[float, float]:
        """Volumes between which the floats say the water is."""
        low, high = 0.0, self.top_m3
        for each in self._floats.values():
            if each.trusted and each.made is True:
                low = max(low, each.breaks_m3)
            elif each.trusted and each.made is False:
                high = min(high, each.makes_m3)
        return (low, high) if low < high else (0.0, self.top_m3)

    # --- crossings ------------------------------------------------------------------------------

    def _cross(self, role: str, switch: FloatState, middle_us: int, half_s: float) -> None:
        others = [each for name, each in self._floats.items() if name != role]
        if not self._could_travel(switch, middle_us):
            self._refuse(switch)
            return
        off, spread, noise = self._deviation(switch, middle_us, half_s)
        surprised = off * off > GATE * spread
        self.doubt_pumps(surprised=surprised)
        if surprised:
            self._respect_floats(role)
            off, spread, noise = self._deviation(switch, middle_us, half_s)
        if off * off > GATE * spread:
            if self._denied(switch, others):
                self._refuse(switch)
                return
            self.surprises += 1
            self.widen(off * off - spread)
        switch.trusted, switch.doubts = True, 0
        self.learn_unrest(off * off / spread, (spread - noise) / spread)
        for other in others:
            if other.denies(switch.stands_m3):
                other.trusted = False
        self.state.observe(((V, 1.0),), off, noise)
        self._weigh_by_speed(rising=bool(switch.made))
        self.keep_sense()

    def _refuse(self, switch: FloatState) -> None:
        self.refused += 1
        switch.trusted = False

    def _deviation(
        self, switch: FloatState, middle_us: int, half_s: float
    ) -> tuple[float, float, float]:
        """How far a crossing is from expectation, and the variances of that and of the crossing."""
        net, _ = self.net_flow()
        late_s = max(0, self.at_us - middle_us) * 1e-6
        off = switch.stands_m3 + net * late_s - self.state.x[V]
        noise = (half_s * net) ** 2 / 3.0 + switch.noise_m3**2
        return off, self.state.p[V][V] + noise, noise

    def _weigh_by_speed(self, *, rising: bool) -> None:
        """Crossings are met in proportion to the net flow (Rice); see the head of the file."""
        net, along = self.net_flow()
        if (net > 0.0) is not rising:
            return
        least = 2.0 * sqrt(self.state.variance(along))
        self.state.weigh(along, max(net, least) if rising else min(net, -least))

    def _denied(self, switch: FloatState, others: Sequence[FloatState]) -> bool:
        """Whether other floats say that the water is elsewhere, and are to be believed."""
        against = [each for each in others if each.trusted and each.denies(switch.stands_m3)]
        for each in against:
            each.doubts += 1
        return any(each.doubts < DOUBTS for each in against)

    def _could_travel(self, switch: FloatState, at_us: int) -> bool:
        """Whether the water can have come so far since the float last moved."""
        travel_m3 = abs(switch.makes_m3 - switch.breaks_m3)
        since_s = max(at_us - switch.moved_us, 1) * 1e-6
        return travel_m3 <= self.working_m3 / FASTEST_S * since_s

    def _respect_floats(self, moving: str | None, *, fully: bool = False) -> None:
        """Floats that have not moved bound the volume.

        What they say is no news each time it is asked for: the estimator itself uses it only when
        expectation lies beyond a bound, a look ahead, which is thrown away, uses it fully.
        """
        if fully:  # neither is it that no inflow is negative
            self.state.truncate(((Q, 1.0),), self.state.x[Q], 0.0, above=True)
        for role, each in self._floats.items():
            if role == moving or not each.trusted or each.made is None:
                continue
            bound_m3 = each.breaks_m3 if each.made else each.makes_m3
            self._bound(bound_m3, above=each.made, fully=fully)
        self._bound(0.0, above=True, fully=fully)
        self.keep_sense()

    def _bound(self, bound_m3: float, *, above: bool, fully: bool) -> None:
        """The volume lies above (or below) a bound."""
        beyond = bound_m3 - self.state.x[V] if above else self.state.x[V] - bound_m3
        if beyond <= 0.0 and not fully:
            return
        if beyond > 0.0 and beyond * beyond > GATE * self.state.p[V][V]:
            self.widen(beyond * beyond - self.state.p[V][V])
        self.state.truncate(((V, 1.0),), self.state.x[V], bound_m3, above=above)

    # --- looking --------------------------------------------------------------------------------

    def look(self, at_us: int) -> Look:
        """The estimate at an instant; the estimator itself stands still.

        Args:
            at_us: plant time up to which all is known. Shortly before the last input the figures
                are led back in a straight line; inside a gap they are those of its begin.
        """
        if self._looked is None or self._looked.at_us != at_us:
            self._looked = self._look(at_us)
        return self._looked

    def _look(self, at_us: int) -> Look:
        ahead = copy(self)
        ahead._looked = None
        ahead.state = self.state.copy()
        ahead.spread_m3 = self.spread_m3[:]
        ahead.doubtful_us = self.doubtful_us[:]
        if ahead.known:
            ahead.advance(at_us)
            ahead._respect_floats(None, fully=True)
            ahead._lead_back(at_us)
        waiting_us = 0 if self.known else max(0, at_us - self.at_us)
        most_m3 = tuple(self._unknown_most_m3)
        if waiting_us:
            most_m3 = tuple(
                known + more * waiting_us * 1e-6
                for known, more in zip(most_m3, self.most_flows(), strict=True)
            )
        return Look(
            at_us, ahead, tuple(self._company), (self.unknown_us + waiting_us) * 1e-6, most_m3,
            known=self.known,
        )  # fmt: skip

    def _lead_back(self, at_us: int) -> None:
        back_s = (self.at_us - at_us) * 1e-6
        if not 0.0 < back_s < LONGEST_BACK_S:
            return
        x, flows = self.state.x, self.flows(self.running)
        came = (x[Q] + x[GULP] + self.upstream[0]) * back_s
        x[IN] -= came
        x[V] -= came
        for k, flow in enumerate(flows.m3_s, self.first_pumped):
            x[k] -= flow * back_s
            x[V] += flow * back_s

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "at_us": self.at_us,
            "known": self.known,
            "running": [-1 if each.made is None else int(each.made) for each in self._runs],
            "speeds": list[Plain](each.speed for each in self._runs),
            "ran_speeds": list[Plain](self.speeds),
            "doubtful_us": [*self.doubtful_us],
            "company": [int(runs) for company in self._company for runs in company],
            "mean": list[Plain](self.state.x),
            "covariance": list[Plain](value for row in self.state.p for value in row),
            "upstream": list[Plain](self.upstream),
            "unknown_us": self.unknown_us,
            "unknown_most_m3": list[Plain](self._unknown_most_m3),
            "overflow_m3": self.overflow_m3,
            "upstream_mean_m3_s": self.upstream_mean_m3_s,
            "spread_m3": list[Plain]([*self.spread_m3, self.spread_total_m3]),
            "unrest": self.unrest,
            "surprises_in_a_row": [*self.surprises_in_a_row],
            "surprises": self.surprises,
            "refused": self.refused,
            "floats": {
                role: [
                    -1 if each.made is None else int(each.made), int(each.trusted), each.doubts,
                    each.moved_us,
                ]
                for role, each in self._floats.items()
            },
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        """Take back a state from ``save``.

        Raises:
            ValueError: it is of another form, or of another number of pumps.
        """
        self._looked = None
        try:
            mean = cast(list[float], saved["mean"])
            covariance = cast(list[float], saved["covariance"])
            running = cast(list[int], saved["running"])
            company = cast(list[int], saved["company"])
            floats = cast(dict[str, list[int]], saved["floats"])
            upstream = cast(list[float], saved["upstream"])
            size, count = len(self.state.x), self.count
            if len(mean) != size or len(running) != count:
                raise ValueError("the saved state of the well is of other pumps or meters")
            self.state = Gaussian(
                list(mean), [covariance[k * size : (k + 1) * size] for k in range(size)]
            )
            self.at_us = cast(int, saved["at_us"])
            self.known = cast(bool, saved["known"])
            speeds = cast(list[float | None], saved["speeds"])
            self._runs = [
                Runs(None if made < 0 else bool(made), speed)
                for made, speed in zip(running, speeds, strict=True)
            ]
            self.speeds = tuple(cast(list[float], saved["ran_speeds"]))
            self._note_runs()
            self.doubtful_us = list(cast(list[int], saved["doubtful_us"]))
            self._company = [
                tuple(bool(runs) for runs in company[k * count : (k + 1) * count])
                for k in range(count)
            ]
            self.upstream = (upstream[0], upstream[1])
            self.unknown_us = cast(int, saved["unknown_us"])
            self._unknown_most_m3 = list(cast(list[float], saved["unknown_most_m3"]))
            self.overflow_m3 = cast(float, saved["overflow_m3"])
            self.surprises_in_a_row = list(cast(list[int], saved["surprises_in_a_row"]))
            self.upstream_mean_m3_s = cast(float, saved["upstream_mean_m3_s"])
            *self.spread_m3, self.spread_total_m3 = cast(list[float], saved["spread_m3"])
            self.unrest = cast(float, saved["unrest"])
            self.surprises = cast(int, saved["surprises"])
            self.refused = cast(int, saved["refused"])
        except KeyError as missing:
            raise ValueError(f"the saved state of the well lacks {missing}") from None
        for role, each in self._floats.items():  # a float that is new stays unknown
            if role in floats:
                made, trusted, each.doubts, each.moved_us = floats[role]
                each.made = None if made < 0 else bool(made)
                each.trusted = bool(trusted)
