"""One pump against itself: its reference time, its last runs, and when those mean that it fell.

A run that falls short is a hit. A bath emptied during a run makes a hit too, so hits are counted up
and misses down (a cumulative sum, E. S. Page, Biometrika 41 (1954) 100); ``limits.py`` says how
many more hits than misses it takes, and why.
"""

from __future__ import annotations

from collections import deque
from statistics import median

from collector.core.component import Saved
from collector.core.diagnosis.limits import (
    HEAVY_LOSS,
    HEAVY_RUNS,
    HEAVY_S,
    HITS,
    LONG_RUN_S,
    LONG_WEIGHT,
    MISS,
    REFERENCE_MOST,
    REFERENCE_RUNS,
    REFERENCE_S,
    RUNS_KEPT,
    WEAR_ENDS_LOSS,
    WEAR_LEAST_LOSS,
    WEAR_REPAIRED,
    WEAR_RISE,
    WEAR_SETTLED,
    WELL_RUNS,
)
from collector.core.diagnosis.run_flow import RunFlow
from collector.core.process.telling import plain, saved_numbers
from collector.core.wells.facts import Figure


class OnePump:
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
        self._recent: deque[float] = deque(maxlen=RUNS_KEPT)  # losses
        self.hits = self.rises = 0
        self._heavy_runs, self._heavy_s = 0, 0.0  # in a row

    def take(self, run: RunFlow, factor: Figure | None, at_us: int) -> None:
        """A run has been measured, and the estimator has taken it in."""
        self.note_factor(factor)
        if not self._complete:
            self._refer(run, at_us)
            return
        loss = 1.0 - run.flow_m3_s / median(self._reference)
        self._recent.append(loss)
        heavy = loss >= HEAVY_LOSS
        self._heavy_runs = self._heavy_runs + 1 if heavy else 0
        self._heavy_s = self._heavy_s + run.ran_s if heavy else 0.0
        hit = loss >= WEAR_LEAST_LOSS and loss >= 2.0 * run.doubt
        weight = LONG_WEIGHT if run.ran_s >= LONG_RUN_S else 1
        self.hits = min(self.hits + weight, 2 * HITS) if hit else max(0, self.hits - MISS * weight)
        rise = -loss >= WEAR_RISE and -loss >= 2.0 * run.doubt
        self.rises = min(self.rises + 1, 2 * HITS) if rise else max(0, self.rises - 1)

    def note_factor(self, factor: Figure | None) -> None:
        """The estimator's wear factor of now; None: not known."""
        if factor is not None:
            self.factor, self.error = factor.value, factor.error

    def _refer(self, run: RunFlow, at_us: int) -> None:
        if self._begin_us is None:
            self._begin_us = at_us
        self._reference.append(run.flow_m3_s)
        del self._reference[:-REFERENCE_MOST]
        aged = at_us - self._begin_us >= REFERENCE_S * 1e6
        self._complete = aged and len(self._reference) >= REFERENCE_RUNS

    def renew(self) -> None:
        """Begin a new reference: it gives more than it did, so it was repaired."""
        self._begin_us, self._complete = None, False
        self._reference.clear()
        self._recent.clear()
        self.hits = self.rises = self._heavy_runs = 0
        self._heavy_s = 0.0

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

    @property
    def fallen(self) -> bool:
        """Whether it surely gives less than it did."""
        if self._heavy_runs >= HEAVY_RUNS or self._heavy_s >= HEAVY_S:
            return True
        now = self.loss()
        if now is None or now < WEAR_ENDS_LOSS:
            return False  # it has been so, and is no longer
        return self.hits >= HITS

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
            "figures": plain((self.factor, self.error)),
            "counts": [self.hits, self.rises, self._heavy_runs],
            "heavy_s": self._heavy_s,
            "begin_us": self._begin_us, "complete": self._complete,
            "reference": plain(self._reference), "recent": plain(self._recent),
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved trend of a pump is of another form")
        self.factor, self.error = saved_numbers(saved, "figures")
        self.hits, self.rises, self._heavy_runs = saved["counts"]
        self._heavy_s = saved["heavy_s"]
        self._begin_us, self._complete = saved["begin_us"], saved["complete"]
        self._reference = saved_numbers(saved, "reference")
        self._recent.clear()
        self._recent.extend(saved_numbers(saved, "recent"))
