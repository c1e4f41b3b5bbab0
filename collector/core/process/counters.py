"""A figure that only counts up, read now and then: rollover, reset, replacement.

How far a counter can have come since its old value was last seen is bounded by what it counts: an
hour meter by the time itself, strokes by the fastest pump. A step within that is growth. A step
back is a rollover if growth over the modulus would be within it; else the counter was set back to
zero, if what it shows now is; else it, or the panel, was replaced, as after a step too far forward.
After a reset or a replacement only bounds are known of what was counted in between, and they are
carried. A gap so long that the modulus may have been passed several times leaves that doubt too.

The record of a counter lags: nothing is recorded until it has moved by more than its deadband.
"""

from __future__ import annotations

from collector.core.component import Saved

LATE_S = 120.0
"""A panel may bring a figure up to date this late (common practice: once a minute; no source)."""

ROLLED_OVER, RESET, REPLACED = "rolled over", "set back to zero", "replaced"


class CounterTrack:
    """The growth of one counter since it was first read.

    Args:
        modulus: value at which it starts again, or None.
        resolution: by how much the truth may be ahead of what is recorded.
        most_per_s: the fastest it can grow.

    Attributes:
        grown: known growth.
        doubt: by how much it may have grown beyond, hidden by resets and rollovers.
        read_us: when it was last read; None before.
    """

    def __init__(self, modulus: float | None, resolution: float, most_per_s: float) -> None:
        self._modulus = modulus
        self.resolution = resolution
        self._most_per_s = most_per_s
        self.grown = 0.0
        self.doubt = 0.0
        self.read_us: int | None = None
        self._value = 0.0

    def read(self, value: float, after_us: int, at_us: int) -> str:
        """Take a reading; says what happened to the counter if it did not just count on.

        Args:
            value: what it shows.
            after_us: when what it showed before was last seen.
            at_us: when this was seen first.
        """
        if self.read_us is None:
            self.read_us, self._value = at_us, value
            return ""
        step = value - self._value
        elapsed_s = max(0, at_us - max(after_us, self.read_us)) / 1e6
        most = self._most_per_s * (elapsed_s + LATE_S) + 2.0 * self.resolution
        if -self.resolution <= step < 0.0 and self._modulus is None:
            return ""  # a reading that ripples
        self.read_us, self._value = at_us, value
        word, growth = "", step
        if step < 0.0 and self._modulus is not None and step + self._modulus <= most:
            word, growth = ROLLED_OVER, step + self._modulus
        elif step < 0.0 and value <= most:
            self.doubt += most - value
            word, growth = RESET, value
        elif step < 0.0 or step > most:
            self.doubt += most
            word, growth = REPLACED, 0.0
        self.grown += growth
        if self._modulus is not None and word in ("", ROLLED_OVER):
            self.doubt += max(0.0, (most - growth) // self._modulus) * self._modulus
        return word

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "grown": self.grown, "doubt": self.doubt, "read_us": self.read_us,
            "value": self._value,
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict) or not {"grown", "doubt", "read_us", "value"} <= set(saved):
            raise ValueError("the saved state of a counter is of another form")
        self.grown, self.doubt = float(saved["grown"]), float(saved["doubt"])
        self.read_us, self._value = saved["read_us"], float(saved["value"])
