"""What the pumps of one well give, against themselves as they were and against their curves.

Each run that can be measured alone (``run_flow.py``) is compared with the median of the runs of a
reference time (``one_pump.py``). The estimator's wear factor, which follows slower, is told beside.

A curve may be off by its tolerance from the first day, so only far below its curve, by the wear
factor, is a pump said to have been weak all along.

One cause for one: a pump that falls alone is worn or blocked; pumps that fall together push against
a restricted main or a changed lift; pumps that seem to rise together are not better than they were,
but more comes into the well after a stop than the inflow of the fill explains.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from functools import partial

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch
from collector.core.diagnosis.limits import HEAVY_LOSS, RISES, WEAR_APART, WEAR_RISE
from collector.core.diagnosis.one_pump import OnePump
from collector.core.diagnosis.pump_calls import CalledPump
from collector.core.diagnosis.run_flow import RunFlow, RunFlows
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import PUMP, WELL, diagnosis, flow, share
from collector.core.process.contacts import Moved
from collector.core.records import PointChanged
from collector.core.wells.well_flow import WellFlow
from collector.plant.equipment import Well


class PumpTrend(ContactWatch):
    """The pumps of one well.

    Args:
        name, well: in the plant file.
        pumps: those of the well.
        serials: serial number of each, where the file gives one; another one is another pump.
        flows: the well's estimates; told of a change before this is.
        upstream: estimates of the wells whose pumps lift into it.
        doubted: whether its floats cannot be believed at an instant.
        sure_us: see ``Standing``.
        varying: pumps of variable speed: their runs are not alike, so that only their wear factor
            tells, and that only where there are curves.
    """

    def __init__(
        self, name: str, well: Well, pumps: Sequence[CalledPump], serials: dict[str, str],
        flows: WellFlow, upstream: Sequence[WellFlow], doubted: Callable[[int], bool],
        sure_us: int, varying: Collection[str] = (),
    ) -> None:  # fmt: skip
        floats = {switch.point: switch for _, switch in well.floats.by_role()}
        super().__init__(f"{name}.pump_trend", [*floats, *(pump.run for pump in pumps)], sure_us)
        self._well, self._title = name, well.title
        self._floats = floats
        self._pumps = {pump.run: pump for pump in pumps}
        self._serials = serials
        self._varying = frozenset(varying)
        self._flows, self._doubted = flows, doubted
        self._runs = RunFlows(flows, upstream)
        estimated = flows.estimator.pumps
        self._has_curves = estimated.has_curves
        self._place = {pump: k for k, pump in enumerate(estimated.names)}
        self._trends = {
            pump.name: OnePump(estimated.factors[self._place[pump.name]].sd) for pump in pumps
        }

    # --- what happens ---------------------------------------------------------------------------

    def moved(self, point: str, move: Moved, change: PointChanged) -> None:
        if move.before is None or move.made is None or self._doubted(change.by_us):
            self._runs.lose()
        elif point in self._floats:
            switch = self._floats[point]
            height_m = switch.makes_at_m if move.made else switch.breaks_m
            run = self._runs.crossed(height_m, move.at_us, change.by_us)
            if run is not None:
                self._take(run, change.by_us)
        else:
            self._runs.run_moved(self._pumps[point].name, move.made is True, move.at_us)

    def _take(self, run: RunFlow, now_us: int) -> None:
        look, trend = self._flows.look(now_us), self._trends[run.pump]
        factor = look.factors[self._place[run.pump]] if look.known else None
        if run.pump in self._varying:
            trend.note_factor(factor)
            return
        trend.take(run, factor, now_us)
        alone = all(other is trend or other.rises < 2 for other in self._trends.values())
        if trend.better and alone:
            trend.renew()

    def hidden(self, last_good_us: int, panel: str) -> None:
        self._runs.lose()

    # --- claims ---------------------------------------------------------------------------------

    def claims(self, now_us: int) -> list[Claim]:
        del now_us
        trends = list(self._trends.values())
        found, said = [], False
        if len(trends) > 1:
            rose, fell = self._rose(), self._fell()
            falling, rising = (
                f"{self._well}.flows_fell_together",
                f"{self._well}.flows_rose_together",
            )
            settled = all((trend.loss() or 0.0) > -0.5 * WEAR_RISE for trend in trends)
            risen = True if rose else False if settled else None
            if rose or self.standing.stands(rising):
                fell = False  # what the runs give cannot be told
                said = True
            fallen = True if fell else False if any(trend.well for trend in trends) else None
            said = said or fell or self.standing.stands(falling)
            found = [
                Claim(falling, fallen, 0.0, self._tell_fell),
                Claim(rising, risen, 0.0, self._tell_rose),
            ]
        for name, trend in self._trends.items():
            fine = not trend.below_curve if name in self._varying else trend.well
            low = True if self._is_low(name) and not said else False if fine else None
            if low is False and trend.below_curve:
                low = None
            found.append(Claim(f"{name}.low_flow", low, 0.0, partial(self._tell_low, name)))
        return found

    def _is_low(self, name: str) -> bool:
        trend = self._trends[name]
        if self._has_curves and trend.below_curve:
            return True
        # Another that may have fallen as well makes this one wait for its next runs.
        others = [other for pump, other in self._trends.items() if pump != name]
        return trend.fallen and all(other.hits < 2 for other in others)

    def _fell(self) -> bool:
        """Whether all pumps of the well have fallen, and alike."""
        losses = [trend.loss() for trend in self._trends.values()]
        known = [loss for loss in losses if loss is not None]
        if len(known) < len(losses) or not all(trend.fallen for trend in self._trends.values()):
            return False
        return max(known) - min(known) < WEAR_APART + 0.3 * max(known)

    def _rose(self) -> bool:
        """Whether all pumps of the well seem to have got better, and alike."""
        losses = [trend.loss() for trend in self._trends.values()]
        known = [loss for loss in losses if loss is not None]
        if len(known) < 2 or len(known) < len(losses):
            return False
        rises = [trend.rises >= RISES for trend in self._trends.values()]
        return all(rises) and max(known) - min(known) < WEAR_APART - 0.3 * min(known)

    # --- telling --------------------------------------------------------------------------------

    def _tell_low(self, name: str) -> str:
        trend = self._trends[name]
        title = next(pump.title for pump in self._pumps.values() if pump.name == name)
        seen = f"{title} gives less than it should"
        if trend.last_flow_m3_s > 0.0:
            seen = f"{title} gave {flow(trend.last_flow_m3_s)} in its last run"
        if self._has_curves and trend.error > 0.0:
            seen += f"; it has come to {share(trend.factor, trend.error)} of its curve's flow"
        heavy, loss = trend.last_loss, trend.loss()
        if trend.fallen and (loss is not None or heavy >= HEAVY_LOSS):
            lost, of = (
                (loss, "median of the last 3") if loss and heavy < HEAVY_LOSS else (heavy, "")
            )
            expected = f"That is {share(lost)} less than in its reference time ({trend.runs} runs)"
            expected += f", {of}" if of else ""
            if len(self._trends) > 1:
                expected += "; the others have not fallen with it"
        else:
            expected = (
                "A pump in service with a curve of this tolerance gives at least "
                f"{share(1.0 - 2.0 * trend.expected_sd)}; it has been so since watching began"
            )
        return diagnosis(
            seen, expected,
            "rag in the impeller or suction, then the wear ring and the valve behind it", PUMP,
        )  # fmt: skip

    def _each(self) -> str:
        titles = {pump.name: pump.title for pump in self._pumps.values()}
        return "; ".join(
            f"{titles[name]} {100.0 * -(trend.loss() or 0.0):+.0f} %"
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
            "runs": self._runs.save(),
            "trends": {name: trend.save() for name, trend in self._trends.items()},
            "serials": dict(self._serials),
        }

    def restore(self, saved: Saved) -> None:
        super().restore(saved)
        self._runs.restore(saved.get("runs"))
        trends, serials = saved.get("trends"), saved.get("serials")
        if not isinstance(trends, dict) or not isinstance(serials, dict):
            raise ValueError(f"the saved state of {self.name} is of another form")
        for name, trend in self._trends.items():
            if name in trends and serials.get(name) == self._serials.get(name):
                trend.restore(trends[name])
