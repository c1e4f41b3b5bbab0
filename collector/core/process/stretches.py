"""Time in a state that holds, does not hold, or is not known.

Errors: each change carries half its bracket; unknown time is counted apart and belongs to the upper
bound. A stretch of the state ends when nothing is known any more; its length is then what is known.
"""

from __future__ import annotations

from collector.core.component import Reading, Saved


class Stretches:
    """Adds up the time during which something holds.

    Args:
        start_us: plant time at which watching begins; until it is first told, the time is unknown.

    Attributes:
        state: whether it holds; None while nobody knows.
        since_us: begin of the stretch under way, or None.
        begun_unseen: nobody saw that stretch begin.
        longest_us: of all stretches that ended.
    """

    def __init__(self, start_us: int) -> None:
        self.state: bool | None = None
        self.since_us: int | None = None
        self.begun_unseen = False
        self.longest_us = 0
        self._on_us = 0
        self._unknown_us = 0
        self._error_us = 0
        self._edge_us = 0
        self._counted_us = start_us

    def set(self, state: bool | None, at_us: int, half_us: int = 0) -> int | None:
        """The state from an instant on.

        Args:
            state: whether it holds; None if that is no longer known.
            at_us, half_us: the instant and how far it may be off.

        Returns:
            length in microseconds of the stretch that ended here, or None.
        """
        if state is self.state:
            return None
        at_us = max(at_us, self._counted_us)
        self._count(at_us)
        if self.state is not None and state is not None:
            self._error_us += half_us
            self._edge_us = half_us
        ended_us = None
        if self.state and self.since_us is not None:
            ended_us = at_us - self.since_us
            self.longest_us = max(self.longest_us, ended_us)
            self.since_us = None
        if state:
            self.since_us, self.begun_unseen = at_us, self.state is None
        self.state = state
        return ended_us

    def _count(self, at_us: int) -> None:
        span_us = max(0, at_us - self._counted_us)
        if self.state is None:
            self._unknown_us += span_us
        elif self.state:
            self._on_us += span_us
        self._counted_us = max(self._counted_us, at_us)

    def length_us(self, at_us: int) -> int:
        """Length of the stretch under way; 0 if there is none."""
        return 0 if self.since_us is None else max(0, at_us - self.since_us)

    def on_us(self, at_us: int) -> int:
        """Time up to an instant during which it is known to have held."""
        return self._on_us + (max(0, at_us - self._counted_us) if self.state else 0)

    def reading(self, at_us: int) -> Reading:
        """The same with its bounds, in s."""
        on_us = self.on_us(at_us)
        waiting_us = max(0, at_us - self._counted_us) if self.state is None else 0
        unknown_us = self._unknown_us + waiting_us
        return Reading(
            on_us / 1e6,
            max(0, on_us - self._error_us) / 1e6,
            (on_us + self._error_us + unknown_us) / 1e6,
            unknown_us,
            self._edge_us / 1e6,
        )

    _KEPT = (
        "state", "since_us", "begun_unseen", "longest_us", "_on_us", "_unknown_us", "_error_us",
        "_edge_us", "_counted_us",
    )  # fmt: skip

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {name.lstrip("_"): getattr(self, name) for name in self._KEPT}

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved state of stretches is of another form")
        for name in self._KEPT:
            if name.lstrip("_") not in saved:
                raise ValueError(f"the saved state of stretches lacks '{name.lstrip('_')}'")
            setattr(self, name, saved[name.lstrip("_")])
