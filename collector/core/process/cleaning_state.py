"""Whether a filter's cleaning does what it should: it ends, and it comes while water flows.

A cleaning that takes longer than ``longest_cleaning_min`` does not end; without that key, three
times the middle length of past cleanings is taken. While water flows, none for
``longest_interval_h`` since the last start (or since anybody watched), or none within minutes of
the level that calls for it, does not come.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from collector.core.component import Saved
from collector.core.process.stretches import Stretches
from collector.core.process.volumes import HOUR_US
from collector.plant.equipment import Filter

LENGTHS_NEEDED = 5
TIMES_MIDDLE = 3.0
"""A cleaning that takes so many times the middle length does not end (our choice)."""

CALL_US = 600_000_000
"""Time from the level contact to the cleaning it calls for (our choice)."""

FILTERING, CLEANING, ENDLESS, MISSING, UNKNOWN = (
    "filtering", "cleaning", "cleaning does not end", "cleaning does not come", "unknown",
)  # fmt: skip


class CleaningState:
    """Judges one filter.

    Args:
        part: from the plant file.
        cleaning: the time during which a cleaning runs.

    Attributes:
        none_since_us: since when no cleaning has begun, as far as watched; None while unknown.
        level_us: since when the level calls for one, or None.
        flows: whether water flows; True unless it is known not to.
    """

    def __init__(self, part: Filter, cleaning: Stretches) -> None:
        self._cleaning = cleaning
        self._longest_s = None
        if part.longest_cleaning_min is not None:
            self._longest_s = 60.0 * part.longest_cleaning_min
        self._interval_us: int | None = None
        if part.longest_interval_h is not None:
            self._interval_us = round(part.longest_interval_h * HOUR_US)
        self.none_since_us: int | None = None
        self.level_us: int | None = None
        self.flows = True

    def word(self, lengths_s: Sequence[float], at_us: int) -> str:
        """Its state in words at an instant.

        Args:
            lengths_s: of the last cleanings.
            at_us: the instant.
        """
        if self._cleaning.state is None:
            return UNKNOWN
        turns_us = self._turns_us(lengths_s)
        turned = any(at_us >= each for each in turns_us)
        if self._cleaning.state:
            return ENDLESS if turned else CLEANING
        return MISSING if turned else FILTERING

    def turns_us(self, lengths_s: Sequence[float], told: object) -> list[int]:
        """Instants to come at which the state becomes another; none once that was told."""
        return self._turns_us(lengths_s) if told in (CLEANING, FILTERING) else []

    def _turns_us(self, lengths_s: Sequence[float]) -> list[int]:
        found: list[int] = []
        if self._cleaning.state:
            longest_s = self._longest_s
            if longest_s is None and len(lengths_s) >= LENGTHS_NEEDED:
                longest_s = TIMES_MIDDLE * median(lengths_s)
            if longest_s is not None and self._cleaning.since_us is not None:
                found.append(self._cleaning.since_us + round(longest_s * 1e6))
        elif self._cleaning.state is False and self.flows:
            if self.none_since_us is not None and self._interval_us is not None:
                found.append(self.none_since_us + self._interval_us)
            if self.level_us is not None:
                found.append(self.level_us + CALL_US)
        return found

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "none_since_us": self.none_since_us, "level_us": self.level_us, "flows": self.flows,
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict) or "none_since_us" not in saved:
            raise ValueError("the saved state of a filter's cleaning is of another form")
        self.none_since_us, self.level_us = saved["none_since_us"], saved.get("level_us")
        self.flows = bool(saved.get("flows"))
