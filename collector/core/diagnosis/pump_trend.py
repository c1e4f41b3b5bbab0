"""What the pumps of one well give, against themselves as they were and against their curves.

Two instruments are read. Each run that can be measured alone (``run_flow.py``) is compared with the
median of the runs of a reference time; a run that falls short is a hit. A bath emptied during a run
makes a hit too, so hits are counted up and misses down (a cumulative sum, E. S. Page, Biometrika 41
(1954) 100), and a pump has fallen when so many more hits than misses have come; fewer will do if
each is a heavy loss, or if the estimator's wear factor, the second instrument, has fallen as well.

A curve may be off by its tolerance from the first day, so only far below its curve, by the wear
factor, is a pump said to have been weak all along.

One cause for one: a pump that falls alone is worn or blocked; pumps that fall together push against
a restricted main or a changed lift; pumps that seem to rise together are not better than they were,
but more comes into the well after a stop than the inflow of the fill explains.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from math import hypot
from statistics import median

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch
from collector.core.diagnosis.limits import (
    HEAVY_LOSS,
    HEAVY_RUNS,
    HEAVY_S,
    HITS,
    HITS_OF_BOTH,
    REFERENCE_MOST,
    REFERENCE_RUNS,
    REFERENCE_S,
    RUNS_KEPT,
    WEAR_APART,
    WEAR_ENDS_LOSS,
    WEAR_LEAST_LOSS,
    WEAR_REPAIRED,
    WEAR_RISE,
    WEAR_SETTLED,
    WEAR_SURE,
    WELL_RUNS,
)
from collector.core.diagnosis.pump_calls import CalledPump
from collector.core.diagnosis.run_flow import RunFlow, RunFlows
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import PUMP, WELL, diagnosis, flow, share
from collector.core.process.contacts import Moved
from collector.core.process.telling import plain, saved_numbers
from collector.core.records import PointChanged
from collector.core.wells.facts import Figure
from collector.core.wells.well_flow import WellFlow
from collector.plant.equipment import Well


class _Trend:
    """One pump: its reference time, and the last runs.

    Args:
        expected_sd: standard deviation of its wear factor before anything was seen.
    """

    def __init__(self, expected_sd: float) -> None:
        self.expected_sd = expected_sd
        self.factor = self.error = 0.0  # by the estimator
        self._begin_us: int | None = None
        self._complete = False
        self._reference: list[float] = []  # flows of its runs
        self._factor_mean = self._factor_error = 0.0  # of the reference time
        self._factors = 0
        self._recent: deque[float] = deque(maxlen=RUNS_KEPT)  # losses
        self.hits = self.rises = 0
        self._heavy_runs, self._heavy_s = 0, 0.0  # in a row

    def take(self, run: RunFlow, factor: Figure | None, at_us: int) -> None:
        """A run has been measured, and the estimator has taken it in."""
        if factor is not None:
            self.factor, self.error = factor.value, factor.error
        if not self._complete:
            self._refer(run, at_us)
            return
        loss = 1.0 - run.flow_m3_s / median(self._reference)
        self._recent.append(loss)
        heavy = loss >= HEAVY_LOSS
        self._heavy_runs = self._heavy_runs + 1 if heavy else 0
        self._heavy_s = self._heavy_s + run.ran_s if heavy else 0.0
        hit = loss >= WEAR_LEAST_LOSS and loss >= 2.0 * run.doubt
        self.hits = min(self.hits + 1, 2 * HITS) if hit else max(0, self.hits - 1)
        rise = -loss >= WEAR_RISE and -loss >= 2.0 * run.doubt
        self.rises = min(self.rises + 1, 2 * HITS) if rise else max(0, self.rises - 1)

    def _refer(self, run: RunFlow, at_us: int) -> None:
        if self._begin_us is None:
            self._begin_us = at_us
        self._reference.append(run.flow_m3_s)
        del self._reference[:-REFERENCE_MOST]
        if 0.0 < self.error <= WEAR_SETTLED * self.factor:
            self._factors += 1
            self._factor_mean += (self.factor - self._factor_mean) / self._factors
            self._factor_error += (self.error - self._factor_error) / self._factors
        aged = at_us - self._begin_us >= REFERENCE_S * 1e6
        self._complete = aged and len(self._reference) >= REFERENCE_RUNS

    def renew(self) -> None:
        """Begin a new reference: it gives more than it did, so it was repaired."""
        self.__init__(self.expected_sd)  # type: ignore[misc]

    @property
    def runs(self) -> int:
        """Runs in its reference."""
        return len(self._reference)

    @property
    def last_flow_m3_s(self) -> float:
        """Flow of its last run."""
        return median(self._reference) * (1.0 - self._recent[-1]) if self._recent else 0.0

    @property
    def last_loss(self) -> float:
        """Share it has lost by its last run."""
        return self._recent[-1] if self._recent else 0.0

    def loss(self, count: int = 3) -> float | None:
        """Share it has lost by the median of the last runs; None if there are fewer."""
        if len(self._recent) < count:
            return None
        return median(list(self._recent)[-count:])

    def gain(self) -> tuple[float, float] | None:
        """Share by which its wear factor has grown since the reference, with standard error."""
        if not self._complete or self._factors < 3 or self.error <= 0.0:
            return None
        error = hypot(self.error, self._factor_error) / self._factor_mean
        return self.factor / self._factor_mean - 1.0, error

    @property
    def fallen(self) -> bool:
        """Whether it surely gives less than it did."""
        if self._heavy_runs >= HEAVY_RUNS or self._heavy_s >= HEAVY_S:
            return True
        now = self.loss()
        if now is None or now < WEAR_ENDS_LOSS:
            return False  # it has been so, and is no longer
        gain = self.gain()
        both = gain is not None and -gain[0] >= max(WEAR_LEAST_LOSS, WEAR_SURE * gain[1])
        return self.hits >= (HITS_OF_BOTH if both else HITS)

    @property
    def well(self) -> bool:
        """Whether its last runs are as they were."""
        last = list(self._recent)[-WELL_RUNS:]
        return len(last) == WELL_RUNS and max(last) <= WEAR_ENDS_LOSS

    @property
    def better(self) -> bool:
        """Whether all of its last runs gave clearly more than they did."""
        full = len(self._recent) == RUNS_KEPT
        return full and max(self._recent) <= -WEAR_REPAIRED

    @property
    def below_curve(self) -> bool:
        """Whether it gives less than a new pump with a wrong curve, in fair service, would."""
        settled = 0.0 < self.error <= WEAR_SETTLED * self.factor
        return settled and self.factor + 2.0 * self.error < 1.0 - 2.0 * self.expected_sd

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "figures": plain((self.factor, self.error, self._factor_mean, self._factor_error)),
            "counts": [self._factors, self.hits, self.rises, self._heavy_runs],
            "heavy_s": self._heavy_s,
            "begin_us": self._begin_us, "complete": self._complete,
            "reference": plain(self._reference), "recent": plain(self._recent),
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved trend of a pump is of another form")
        figures = saved_numbers(saved, "figures")
        self.factor, self.error, self._factor_mean, self._factor_error = figures
        self._factors, self.hits, self.rises, self._heavy_runs = saved["counts"]
        self._heavy_s = saved["heavy_s"]
        self._begin_us, self._complete = saved["begin_us"], saved["complete"]
        self._reference = saved_numbers(saved, "reference")
        self._recent.clear()
        self._recent.extend(saved_numbers(saved, "recent"))


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
    """

    def __init__(
        self, name: str, well: Well, pumps: Sequence[CalledPump], serials: dict[str, str],
        flows: WellFlow, upstream: Sequence[WellFlow], doubted: Callable[[int], bool],
        sure_us: int,
    ) -> None:  # fmt: skip
        floats = {switch.point: switch for _, switch in well.floats.by_role()}
        super().__init__(f"{name}.pump_trend", [*floats, *(pump.run for pump in pumps)], sure_us)
        self._well, self._title = name, well.title
        self._floats = floats
        self._pumps = {pump.run: pump for pump in pumps}
        self._serials = serials
        self._flows, self._doubted = flows, doubted
        self._runs = RunFlows(flows, upstream)
        estimated = flows.estimator.pumps
        self._has_curves = estimated.has_curves
        self._place = {pump: k for k, pump in enumerate(estimated.names)}
        self._trends = {
            pump.name: _Trend(estimated.factors[self._place[pump.name]].sd) for pump in pumps
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
            low = True if self._is_low(name) and not said else False if trend.well else None
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
        rises = [trend.rises >= HITS for trend in self._trends.values()]
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
