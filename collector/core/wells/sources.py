"""What is known to send water into a well: pumps of wells upstream, wash water that returns.

What a source sends is taken as known inflow, so that the estimator need not learn it: a pumped
inflow comes in blocks many times the mean, and starts the well's own pumps just then. Wash water
comes while the pumps that feed the filter run, and would count against them.
"""

from __future__ import annotations

from typing import Protocol

from collector.core.records import PointChanged, Quality

UNWATCHED_SHARE = 0.3
"""Of the flow of a source nobody sees, as the error of what it sends. Common practice, no source:
small pumps run a few to some ten per cent of the time."""


class Source(Protocol):
    """Something that sends water into a well while contacts are made."""

    @property
    def sending_points(self) -> tuple[str, ...]:
        """The contacts."""
        ...

    def hear(self, change: PointChanged) -> None:
        """A contact changed, perhaps one of its own."""
        ...

    def sent_now(self, lost: set[str], away: set[str]) -> tuple[float, float]:
        """What it sends, m3/s, and its standard error.

        Args:
            lost: panels that are not known at present.
            away: those of them that are away, and so send nothing.
        """
        ...

    def saved_state(self) -> bool | None:
        """What it has to keep, if it is kept by nobody else."""
        ...

    def take_back(self, state: bool | None) -> None:
        """Take back ``saved_state``."""
        ...


class FixedRate:
    """A source that sends at a known rate while one contact is made.

    Args:
        point: the contact.
        flow_m3_s, error_m3_s: its rate and the standard error of that.
    """

    def __init__(self, point: str, flow_m3_s: float, error_m3_s: float) -> None:
        self.sending_points = (point,)
        self._flow_m3_s = flow_m3_s
        self._error_m3_s = error_m3_s
        self._made: bool | None = None

    def hear(self, change: PointChanged) -> None:
        """A contact changed; see ``Source``."""
        if change.point == self.sending_points[0]:
            known = change.value is not None and change.quality is not Quality.BAD
            self._made = bool(change.value) if known else None

    def sent_now(self, lost: set[str], away: set[str]) -> tuple[float, float]:
        """What it sends; see ``Source``."""
        panel = self.sending_points[0].partition(".")[0]
        if panel in away:
            return 0.0, 0.0
        if self._made is None or panel in lost:
            return 0.0, UNWATCHED_SHARE * self._flow_m3_s
        return (self._flow_m3_s, self._error_m3_s) if self._made else (0.0, 0.0)

    def saved_state(self) -> bool | None:
        """Whether its contact is made."""
        return self._made

    def take_back(self, state: bool | None) -> None:
        """Take back ``saved_state``."""
        self._made = state
