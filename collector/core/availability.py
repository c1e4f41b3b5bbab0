"""How much of the time a panel answered.

Availability is answered time over watched time. Time during which the collector itself did not
watch is not the panel's: it counts neither way. A panel that only visits is not expected to answer
while it is away, so that time does not count either.
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

OURS = frozenset({COLLECTOR_STOPPED, JOURNAL_FULL})
NOT_WATCHED = OURS | {AWAY}
UP, LOST, GONE, UNWATCHED = "up", "lost", "away", "not watched"
LEAST_WATCHED_US = 60_000_000  # a share of less than a minute says nothing


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
        self.gone_us = start_us  # begin of the silence that lasts
        self._counted_us = start_us
        self._told: float | None = None

    def point_changed(self, change: PointChanged) -> list[Output]:
        del change
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel
        was_up = self.up
        if self.reason == NOT_YET_READ:
            self.reason = reason  # so it was from the beginning
        self._count(last_good_us if was_up or reason in OURS else by_us)
        if was_up:
            self.gone_us = last_good_us
        self.up, self.reason = False, reason
        word = GONE if reason == AWAY else UNWATCHED if reason in OURS else LOST
        found: list[Output] = [
            Derived(f"{self.panel}.link_state", word, Quality.GOOD, by_us, reason=reason)
        ]
        if was_up or reason not in OURS:  # that we do not watch a lost panel is no loss of it
            found.insert(0, Event(f"{self.panel}.link_lost", last_good_us, by_us, reason=reason))
        return found

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel
        found: list[Output] = [Derived(f"{self.panel}.link_state", UP, Quality.GOOD, by_us)]
        if self.reason != NOT_YET_READ:
            gap_s = max(0, by_us - self.gone_us) / 1e6
            event = Event(f"{self.panel}.link_returned", self.gone_us, by_us, value=gap_s)
            found.insert(0, event)
        self._count(by_us)
        self.up, self.reason = True, ""
        return found + self._share(by_us, by_us)

    def report(self, at_us: int, known_us: int) -> list[Output]:
        return self._share(at_us, known_us)

    def share(self, at_us: int) -> float | None:
        """Answered share of the time watched up to ``at_us``, 0 to 1; None before there is any."""
        answered_us, silent_us = self._until(at_us)
        watched_us = answered_us + silent_us
        return answered_us / watched_us if watched_us else None

    def _until(self, at_us: int) -> tuple[int, int]:
        """Answered and silent time up to ``at_us``."""
        span_us = max(0, at_us - self._counted_us)
        if self.up:
            return self.answered_us + span_us, self.silent_us
        if self.reason in NOT_WATCHED:
            return self.answered_us, self.silent_us
        return self.answered_us, self.silent_us + span_us

    def _count(self, at_us: int) -> None:
        self.answered_us, self.silent_us = self._until(at_us)
        self._counted_us = max(self._counted_us, at_us)

    def _share(self, at_us: int, known_us: int) -> list[Output]:
        until_us = known_us if self.up else at_us
        if sum(self._until(until_us)) < LEAST_WATCHED_US:
            return []
        share = self.share(until_us)
        # A figure that moves by less than a hundredth of a per cent is no news.
        if share is None or (self._told is not None and abs(share - self._told) < 1e-4):
            return []
        self._told = share
        return [Derived(f"{self.panel}.link_availability", share, Quality.GOOD, at_us)]

    _KEPT = (
        "reason", "up", "answered_us", "silent_us", "gone_us", "_counted_us", "_told",
    )  # fmt: skip

    def save(self) -> Saved:
        return {name.lstrip("_"): getattr(self, name) for name in self._KEPT}

    def restore(self, saved: Saved) -> None:
        try:
            kept = {name: saved[name.lstrip("_")] for name in self._KEPT}
        except KeyError as missing:
            raise ValueError(f"link state of {self.panel} lacks {missing}") from None
        for name, value in kept.items():
            setattr(self, name, value)
