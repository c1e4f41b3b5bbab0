"""How much of the time a panel answered.

Availability is answered time over watched time. Time during which the collector itself did not
run is not the panel's: it is not watched. A panel that only visits is not expected to answer while
it is away, so that time is not watched either.
"""

from __future__ import annotations

from collector.core.component import Saved
from collector.core.records import (
    AWAY,
    COLLECTOR_STOPPED,
    JOURNAL_FULL,
    NOT_YET_READ,
    Derived,
    Event,
    Output,
    PointChanged,
    Quality,
)

NOT_WATCHED = frozenset({AWAY, COLLECTOR_STOPPED, JOURNAL_FULL})
UP, LOST, GONE, UNWATCHED = "up", "lost", "away", "not watched"


class LinkMeter:
    """Availability of one panel.

    Args:
        panel: its name in the plant file.
        start_us: plant time at which watching begins.
    """

    points: tuple[str, ...] = ()

    def __init__(self, panel: str, start_us: int) -> None:
        self.panel = panel
        self.name = panel
        self.reason = NOT_YET_READ
        self.up = False
        self.answered_us = 0
        self.silent_us = 0
        self._counted_us = start_us
        self._told: float | None = None

    def point_changed(self, change: PointChanged) -> list[Output]:
        del change
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel
        self._count(last_good_us if self.up else by_us)
        self.up, self.reason = False, reason
        found: list[Output] = [Event(f"{self.panel}.link_lost", last_good_us, by_us, reason=reason)]
        word = GONE if reason == AWAY else UNWATCHED if reason in NOT_WATCHED else LOST
        found.append(Derived(f"{self.panel}.link_state", word, Quality.GOOD, by_us, reason=reason))
        return found

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel
        gap_s = max(0, by_us - self._counted_us) / 1e6
        lost_us = self._counted_us
        first = self.reason == NOT_YET_READ
        self._count(by_us)
        self.up, self.reason = True, ""
        found: list[Output] = [Derived(f"{self.panel}.link_state", UP, Quality.GOOD, by_us)]
        if not first:
            found.insert(0, Event(f"{self.panel}.link_returned", lost_us, by_us, value=gap_s))
        return found + self._share(by_us)

    def report(self, at_us: int) -> list[Output]:
        self._count(at_us)
        return self._share(at_us)

    def share(self) -> float | None:
        """Answered share of the watched time so far, 0 to 1; None before there is any."""
        watched_us = self.answered_us + self.silent_us
        return self.answered_us / watched_us if watched_us else None

    def _count(self, at_us: int) -> None:
        span_us = at_us - self._counted_us
        if span_us <= 0:
            return
        if self.up:
            self.answered_us += span_us
        elif self.reason not in NOT_WATCHED:
            self.silent_us += span_us
        self._counted_us = at_us

    def _share(self, at_us: int) -> list[Output]:
        share = self.share()
        # A figure that moves by less than a hundredth of a per cent is no news.
        if share is None or (self._told is not None and abs(share - self._told) < 1e-4):
            return []
        self._told = share
        return [Derived(f"{self.panel}.link_availability", share, Quality.GOOD, at_us)]

    def save(self) -> Saved:
        return {
            "reason": self.reason,
            "up": self.up,
            "answered_us": self.answered_us,
            "silent_us": self.silent_us,
            "counted_us": self._counted_us,
        }

    def restore(self, saved: Saved) -> None:
        try:
            self.reason = str(saved["reason"])
            self.up = bool(saved["up"])
            self.answered_us = int(str(saved["answered_us"]))
            self.silent_us = int(str(saved["silent_us"]))
            self._counted_us = int(str(saved["counted_us"]))
        except KeyError as missing:
            raise ValueError(f"link state of {self.panel} lacks {missing}") from None
