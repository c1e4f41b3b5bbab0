"""What the pumps of one well give, against themselves as they were and against their curves.

The estimator's wear factor of a pump is the share of its curve's flow it gives at equal head. Its
stated error holds for the way in which the pumps move water, and not for a curve that is off: a
curve may be off by its tolerance from the first day. So each pump is first compared with itself,
with the mean over a time after its factor has settled; only far below its curve is it said to be
weak from the first day.

One cause for one: a pump that falls alone is worn or blocked; pumps that fall together push against
a restricted main or a changed lift; pumps that seem to rise together are not better than they were,
but more comes into the well after a stop than the inflow of the fill explains.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from math import hypot
from typing import cast

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch
from collector.core.diagnosis.limits import (
    REFERENCE_S,
    REFERENCE_STOPS,
    WEAR_APART,
    WEAR_ENDS_LOSS,
    WEAR_LEAST_LOSS,
    WEAR_RISE,
    WEAR_SETTLED,
    WEAR_STOPS,
    WEAR_SURE,
)
from collector.core.diagnosis.pump_calls import CalledPump
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import PUMP, WELL, diagnosis, flow, share
from collector.core.process.contacts import Moved
from collector.core.process.telling import plain, saved_numbers
from collector.core.records import PointChanged
from collector.core.wells.well_flow import WellFlow


class _Trend:
    """One pump: its reference, and what it gives now; factors with standard errors."""

    def __init__(self, expected_sd: float) -> None:
        self.expected_sd = expected_sd
        self.factor = self.error = 0.0
        self.flow_m3_s = self.flow_error_m3_s = 0.0
        self.settled_us: int | None = None
        self.count = 0
        self.mean = self.mean_error = 0.0
        self.complete = False
        self.low_stops = self.high_stops = 0

    def take(self, factor: float, error: float, at_us: int) -> None:
        """The factor after a run."""
        self.factor, self.error = factor, error
        if not self.complete:
            self._refer(at_us)
            return
        loss, sure = self.loss, self.sure
        self.low_stops = self.low_stops + 1 if loss >= WEAR_LEAST_LOSS and sure else 0
        self.high_stops = self.high_stops + 1 if loss <= -WEAR_RISE and sure else 0

    def _refer(self, at_us: int) -> None:
        if self.error > WEAR_SETTLED * self.factor:
            return
        if self.settled_us is None:
            self.settled_us = at_us
        self.count += 1
        self.mean += (self.factor - self.mean) / self.count
        self.mean_error += (self.error - self.mean_error) / self.count
        aged = at_us - self.settled_us >= REFERENCE_S * 1e6
        self.complete = aged and self.count >= REFERENCE_STOPS

    def renew(self) -> None:
        """Begin a new reference: it was repaired."""
        self.settled_us, self.count, self.complete = None, 0, False
        self.mean = self.mean_error = 0.0
        self.low_stops = self.high_stops = 0

    @property
    def loss(self) -> float:
        """Share of the reference it has lost; below 0 if it gives more."""
        return 1.0 - self.factor / self.mean if self.complete else 0.0

    @property
    def loss_error(self) -> float:
        """Standard error of ``loss``."""
        return hypot(self.error, self.mean_error) / self.mean if self.complete else 1.0

    @property
    def sure(self) -> bool:
        """Whether the change is beyond what its errors explain."""
        return self.complete and abs(self.loss) >= WEAR_SURE * self.loss_error

    @property
    def below_curve(self) -> bool:
        """Whether it gives less than a new pump with a wrong curve, in fair service, would."""
        settled = 0.0 < self.error <= WEAR_SETTLED * self.factor
        return settled and self.factor + 2.0 * self.error < 1.0 - 2.0 * self.expected_sd

    _KEPT = (
        "factor", "error", "flow_m3_s", "flow_error_m3_s", "count", "mean", "mean_error",
        "complete", "low_stops", "high_stops",
    )  # fmt: skip

    def numbers(self) -> list[float]:
        """Its state as numbers, the reference's begin first, -1 for none."""
        begin = -1.0 if self.settled_us is None else float(self.settled_us)
        return [begin, *(float(getattr(self, name)) for name in self._KEPT)]

    def take_back(self, numbers: Sequence[float]) -> None:
        """Take back a state from ``numbers``."""
        self.settled_us = None if numbers[0] < 0 else int(numbers[0])
        for name, number in zip(self._KEPT, numbers[1:], strict=True):
            setattr(self, name, type(getattr(self, name))(number))


class PumpTrend(ContactWatch):
    """The pumps of one well.

    Args:
        name, title: of the well.
        pumps: those of the well.
        serials: serial number of each, where the file gives one; another one is another pump.
        flows: the well's estimates; told of a change before this is.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, name: str, title: str, pumps: Sequence[CalledPump], serials: dict[str, str],
        flows: WellFlow, sure_us: int,
    ) -> None:  # fmt: skip
        super().__init__(f"{name}.pump_trend", [pump.run for pump in pumps], sure_us)
        self._well, self._title = name, title
        self._pumps = {pump.run: pump for pump in pumps}
        self._serials = serials
        self._flows = flows
        estimated = flows.estimator.pumps
        self._has_curves = estimated.has_curves
        self._place = {pump: k for k, pump in enumerate(estimated.names)}
        self._trends = {
            pump.name: _Trend(estimated.factors[self._place[pump.name]].sd) for pump in pumps
        }

    def moved(self, point: str, move: Moved, change: PointChanged) -> None:
        if not move.breaks:
            return
        look = self._flows.look(change.by_us)
        name = self._pumps[point].name
        if not look.known:
            return
        place, trend = self._place[name], self._trends[name]
        factor, given = look.factors[place], look.flows_m3_s[place]
        trend.flow_m3_s, trend.flow_error_m3_s = given.value, given.error
        trend.take(factor.value, factor.error, change.by_us)
        if trend.high_stops >= REFERENCE_STOPS and not self._together(rising=True):
            trend.renew()

    # --- claims ---------------------------------------------------------------------------------

    def claims(self, now_us: int) -> list[Claim]:
        del now_us
        fell, rose = self._together(rising=False), self._together(rising=True)
        found = []
        for name in self._trends:
            found.append(
                Claim(f"{name}.low_flow", self._is_low(name, fell), 0.0,
                      partial(self._tell_low, name))
            )  # fmt: skip
        if len(self._trends) > 1:
            losses = [trend.loss for trend in self._trends.values()]
            over = max(losses) < WEAR_ENDS_LOSS
            found.append(
                Claim(f"{self._well}.flows_fell_together", fell or (False if over else None), 0.0,
                      self._tell_fell)
            )  # fmt: skip
            over = min(losses) > -0.5 * WEAR_RISE
            found.append(
                Claim(f"{self._well}.flows_rose_together", rose or (False if over else None), 0.0,
                      self._tell_rose)
            )  # fmt: skip
        return found

    def _is_low(self, name: str, fell: bool) -> bool | None:
        trend = self._trends[name]
        others = [other.loss for pump, other in self._trends.items() if pump != name]
        apart = trend.loss - max(0.0, min(others, default=0.0))
        if trend.low_stops >= WEAR_STOPS and apart >= WEAR_APART and not fell:
            return True
        if self._has_curves and trend.below_curve and not fell:
            return True
        if trend.loss <= WEAR_ENDS_LOSS and not trend.below_curve:
            return False
        return None

    def _together(self, *, rising: bool) -> bool:
        """Whether all pumps of the well have moved alike."""
        trends = list(self._trends.values())
        if len(trends) < 2:
            return False
        moves = [-trend.loss if rising else trend.loss for trend in trends]
        least = WEAR_RISE if rising else WEAR_LEAST_LOSS
        return (
            min(moves) >= least
            and all(trend.sure for trend in trends)
            and max(moves) - min(moves) < WEAR_APART + 0.5 * min(moves)
        )

    # --- telling --------------------------------------------------------------------------------

    def _gives(self, name: str) -> str:
        trend = self._trends[name]
        text = f"gives {flow(trend.flow_m3_s, trend.flow_error_m3_s)}"
        if self._has_curves:
            text += f", {share(trend.factor, trend.error)} of its curve at equal head"
        return text

    def _tell_low(self, name: str) -> str:
        trend = self._trends[name]
        title = next(pump.title for pump in self._pumps.values() if pump.name == name)
        if trend.sure and trend.loss > 0.0:
            expected = (
                f"That is {share(trend.loss, trend.loss_error)} less than it gave in its "
                f"reference time ({trend.count} runs)"
            )
            if len(self._trends) > 1:
                expected += "; the others have not fallen with it"
        else:
            expected = (
                f"A pump in service with a curve of this tolerance gives at least "
                f"{share(1.0 - 2.0 * trend.expected_sd)}; it has been so since watching began"
            )
        return diagnosis(
            f"{title} {self._gives(name)}", expected,
            "rag in the impeller or suction, then the wear ring and the valve behind it", PUMP,
        )  # fmt: skip

    def _each(self) -> str:
        titles = {pump.name: pump.title for pump in self._pumps.values()}
        return "; ".join(
            f"{titles[name]} {'-' if trend.loss > 0 else '+'}"
            f"{share(abs(trend.loss), trend.loss_error)}"
            for name, trend in self._trends.items()
        )

    def _tell_fell(self) -> str:
        return diagnosis(
            f"{self._title}: all its pumps give less than in their reference time, and alike",
            "Pumps do not wear alike within days",
            "what they share: valve, rising main or hose (kinked, silted, air), height and "
            "counter-pressure at its end", PUMP, self._each(),
        )  # fmt: skip

    def _tell_rose(self) -> str:
        return diagnosis(
            f"{self._title}: all its pumps seem to give more than in their reference time, and "
            "alike; the inflow is misjudged",
            "Pumps do not get better; the inflow during a fill is taken for the inflow during the "
            "run",
            "the check valve: after each stop the main may be running back into the well", WELL,
            self._each(),
        )  # fmt: skip

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        return {
            **super().save(),
            "trends": {name: plain(trend.numbers()) for name, trend in self._trends.items()},
            "serials": dict(self._serials),
        }

    def restore(self, saved: Saved) -> None:
        super().restore(saved)
        trends, serials = saved.get("trends"), saved.get("serials")
        if not isinstance(trends, dict) or not isinstance(serials, dict):
            raise ValueError(f"the saved state of {self.name} is of another form")
        for name, trend in self._trends.items():
            if name in trends and serials.get(name) == self._serials.get(name):
                trend.take_back(saved_numbers(cast(Saved, trends), name))
