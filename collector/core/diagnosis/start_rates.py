"""Short cycling: starts within an hour against the limit of the plant file."""

from __future__ import annotations

from collections import deque
from functools import partial
from typing import cast

from collector.core.component import Saved
from collector.core.diagnosis.limits import SHORT_CYCLING_ENDS_S
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import MACHINE, diagnosis

HOUR_US = 3_600_000_000
MOST_STARTS = 200
"""Starts in an hour that are kept of each pump; any limit lies far below."""


class StartRates:
    """The starts of the last hour.

    Args:
        titles: of the pumps, by name.
        limits: starts in an hour, of those the plant file gives one for.
    """

    def __init__(self, titles: dict[str, str], limits: dict[str, float]) -> None:
        self._titles, self._limits = titles, limits
        self._starts: dict[str, deque[int]] = {pump: deque(maxlen=MOST_STARTS) for pump in limits}

    def started(self, pump: str, at_us: int) -> None:
        """A pump was seen to start."""
        if pump in self._starts:
            self._starts[pump].append(at_us)

    def clear(self) -> None:
        """Something may have happened unseen; count anew."""
        for starts in self._starts.values():
            starts.clear()

    def claims(self, now_us: int, *, doubted: bool) -> list[Claim]:
        """One claim for each pump with a limit; ``doubted`` floats may be what makes it start."""
        if doubted:
            self.clear()
        found = []
        for pump, starts in self._starts.items():
            while starts and starts[0] <= now_us - HOUR_US:
                starts.popleft()
            over = len(starts) > self._limits[pump]
            found.append(
                Claim(f"{pump}.short_cycling", None if doubted else over, 0.0,
                      partial(self._tell, pump), SHORT_CYCLING_ENDS_S)
            )  # fmt: skip
        return found

    def _tell(self, pump: str) -> str:
        return diagnosis(
            f"{self._titles[pump]} started {len(self._starts[pump])} times within an hour",
            f"Its limit is {self._limits[pump]:g} an hour; each start heats the motor",
            "the floats (differential too small, one bouncing) and the check valve (the main "
            "running back into the well)", MACHINE,
        )  # fmt: skip

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {pump: list(starts) for pump, starts in self._starts.items()}

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``; a pump that is new has not started."""
        if not isinstance(saved, dict):
            raise ValueError("the saved starts are of another form")
        for pump, starts in self._starts.items():
            starts.clear()
            starts.extend(cast(list[int], saved.get(pump, [])))
