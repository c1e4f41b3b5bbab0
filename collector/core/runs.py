"""Run time, starts and the run under way, from one run contact.

Theory. The contact is sampled; a transition lies inside the bracket between the last read that
showed the old state and the first that showed the new one. The middle of the bracket is taken and
its half-width is carried as error, so a run from (a1, b1] to (a2, b2] lasts

    (a2 + b2)/2 - (a1 + b1)/2   within   +- ((b1 - a1)/2 + (b2 - a2)/2).

Time about which nothing is known (lost link, collector stopped, bad value) is counted apart. The
truth of a total therefore lies between ``known - brackets`` and ``known + brackets + unknown``.
A start inside such a gap cannot be seen: after a gap the number of starts is "at least".

Two limits: a run or pause shorter than the time between two reads leaves nothing, as with any
sampling; and figures told between two reads claim nothing beyond the last one, so that what is told
of run time never goes back unless a panel turns out to have been frozen.

Source: sampling bound, elementary. Counting off-to-on transitions as starts and run time as the sum
of on-intervals: common practice, no source.
"""

from __future__ import annotations

from collections import deque
from itertools import takewhile
from typing import cast

from collector.core.component import Reading, Saved
from collector.core.records import Derived, Event, Output, PointChanged, Quality

HOUR_US = 3_600_000_000
MOST_RECENT_STARTS = 4_000  # at most one a second in an hour, with room
RUNNING, STOPPED, UNKNOWN = "running", "stopped", "unknown"
HIDDEN_STARTS = "starts may hide in gaps"
HOUR_NOT_WHOLE = "the last 60 minutes were not all watched"
GAPS_INSIDE = "gaps inside the run"
START_NOT_SEEN = "its start was not seen"


class RunMeter:
    """Counts what one run contact does.

    Args:
        name: the machine, as in the plant file.
        point: its run contact, ``panel.point``.
        start_us: plant time at which watching begins.

    All times are plant time in microseconds; quantities go out in SI (seconds, 1/s).
    """

    def __init__(self, name: str, point: str, start_us: int) -> None:
        self.name = name
        self.points = (point,)
        self.running: bool | None = None  # None: nobody knows
        self.known_on_us = 0
        self.unknown_us = 0
        self.bracket_us = 0
        self.starts = 0
        self.gaps = 0
        self.run_since_us: int | None = None  # begin of the run under way
        self._run_gap_us = 0  # unknown time inside the run under way
        self._run_bracket_us = 0
        self._run_early_us: int | None = 0  # by how much it may have begun still earlier; None: any
        self._run_hidden = False  # nobody saw it begin
        self._before: bool | None = None  # state before the gap that lasts
        self._point_bad = False  # the contact itself, not its panel, is not to be believed
        self._counted_us = start_us  # everything before is in one of the totals
        # The last transition: its middle, its half-width, and from when on the time before it
        # counted as running (None where it was a start).
        self._turned_us = start_us
        self._turn_half_us = 0
        self._turn_from_us: int | None = None
        self._whole_since_us: int | None = None  # no gap from here on
        self._recent: deque[int] = deque(maxlen=MOST_RECENT_STARTS)
        self._rate_told: list[int] = []
        self._run_told = False

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        self._point_bad = change.value is None or change.quality is Quality.BAD
        if self._point_bad:
            return self._lose(change.reason, change.after_us, change.by_us)
        gap_from_us: int | None = None
        found: list[Output] = []
        if self.running is None:
            gap_from_us = self._counted_us
            found = self._find(change.by_us)
        running = bool(change.value)
        if self.running is None:
            return found + self._first(running, change)
        if running == self.running:
            return [*found, self._state(change.by_us)] if found else []
        return found + (self._start if running else self._stop)(change, gap_from_us)

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del panel
        return self._lose(reason, last_good_us, by_us)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel
        if self.running is not None or self._before is None or self._point_bad:
            return []
        return [*self._find(by_us), self._state(by_us)]

    def report(self, at_us: int, known_us: int) -> list[Output]:
        found: list[Output] = []
        if self.running is not False:
            found.append(self._run_hours(at_us, known_us))
        if self.running:
            found.append(self._current_run(at_us, known_us))
        if self.running is None:
            found.append(self._unknown_hours(at_us))
        if self._rate_told not in ([], self._rate_now(at_us)):
            found.append(self._rate(at_us))
        return found

    # --- what it knows --------------------------------------------------------------------------

    def known_on_until(self, at_us: int) -> int:
        """Known run time up to plant time ``at_us``, in microseconds."""
        return self.known_on_us + (max(0, at_us - self._counted_us) if self.running else 0)

    def unknown_until(self, at_us: int) -> int:
        """Time up to ``at_us`` about which nobody knows, in microseconds."""
        waiting = self.running is None
        return self.unknown_us + (max(0, at_us - self._counted_us) if waiting else 0)

    def readings(self, at_us: int) -> dict[str, Reading]:
        """Run time (s) and starts up to ``at_us``, which may lie just before the last transition.

        A transition whose bracket lies around ``at_us`` makes both uncertain there. So does a gap
        for starts: one that is found at its end, and counted then, may have come before ``at_us``.
        """
        known_us, starts, bracket_us = self.known_on_until(at_us), self.starts, self.bracket_us
        from_us, turned_us, half_us = self._turn_from_us, self._turned_us, self._turn_half_us
        if at_us < turned_us:
            bracket_us -= half_us
            if from_us is None:
                starts -= self.running is True
            else:
                known_us -= turned_us - max(at_us, from_us)
        edge_us = half_us if abs(turned_us - at_us) < half_us else 0
        unknown_us = self.unknown_until(at_us)
        start_near = (edge_us and from_us is None) or self._before is False
        return {
            "run_hours": Reading(
                known_us / 1e6,
                (known_us - bracket_us) / 1e6,
                (known_us + bracket_us + unknown_us) / 1e6,
                unknown_us,
                edge_us / 1e6,
            ),
            "starts": Reading(
                float(starts), float(starts), float(starts), unknown_us,
                1.0 if start_near else 0.0, bounded=False,
            ),
        }  # fmt: skip

    def starts_in_last_hour(self, at_us: int) -> int:
        """Starts seen in the 60 minutes up to ``at_us``; one exactly 60 minutes ago is out."""
        past = takewhile(lambda start_us: start_us <= at_us - HOUR_US, self._recent)
        return len(self._recent) - sum(1 for _ in past)

    # --- transitions ----------------------------------------------------------------------------

    def _middle(self, change: PointChanged) -> tuple[int, int]:
        """Best instant of a transition and its half-width, inside the time not yet counted."""
        after_us = max(change.after_us, self._counted_us)
        if change.by_us <= after_us:
            return max(change.by_us, self._counted_us), 0
        return (after_us + change.by_us) // 2, (change.by_us - after_us + 1) // 2

    def _first(self, running: bool, change: PointChanged) -> list[Output]:
        """The very first thing known of this contact: no start was seen."""
        self.running = running
        if running:
            self.run_since_us, self._run_gap_us = change.by_us, 0
            self._run_bracket_us, self._run_early_us, self._run_hidden = 0, None, True
        return [self._state(change.by_us), self._run_hours(change.by_us, change.by_us),
                self._starts(change.by_us), self._rate(change.by_us)]  # fmt: skip

    def _start(self, change: PointChanged, gap_from_us: int | None) -> list[Output]:
        at_us, half_us = self._middle(change)
        after_us = change.after_us if gap_from_us is None else min(change.after_us, gap_from_us)
        self.running = True
        self._counted_us = at_us
        self._turned_us, self._turn_half_us, self._turn_from_us = at_us, half_us, None
        self.run_since_us, self._run_gap_us, self._run_bracket_us = at_us, 0, half_us
        self._run_early_us = max(0, at_us - half_us - after_us)
        self._run_hidden = gap_from_us is not None
        self.bracket_us += half_us
        self.starts += 1
        while self._recent and self._recent[0] <= at_us - HOUR_US:
            self._recent.popleft()
        self._recent.append(at_us)
        event = Event(f"{self.name}.started", after_us, change.by_us)
        return [event, self._state(change.by_us), self._starts(change.by_us),
                self._rate(change.by_us)]  # fmt: skip

    def _stop(self, change: PointChanged, gap_from_us: int | None) -> list[Output]:
        at_us, half_us = self._middle(change)
        after_us = change.after_us if gap_from_us is None else min(change.after_us, gap_from_us)
        self.known_on_us += at_us - self._counted_us
        self._turned_us, self._turn_half_us = at_us, half_us
        self._turn_from_us, self._counted_us = self._counted_us, at_us
        self.bracket_us += half_us
        self.running = False
        since_us = at_us if self.run_since_us is None else self.run_since_us
        doubt = self._doubt()
        event = Event(
            f"{self.name}.stopped",
            after_us,
            change.by_us,
            value=(at_us - since_us) / 1e6,
            quality=Quality.UNCERTAIN if doubt else Quality.GOOD,
            reason=doubt,
        )
        self.run_since_us = None
        found: list[Output] = [event, self._state(change.by_us),
                               self._run_hours(change.by_us, change.by_us)]  # fmt: skip
        if self._run_told:
            self._run_told = False
            found.append(Derived(f"{self.name}.current_run", 0.0, Quality.GOOD, change.by_us))
        return found

    def _doubt(self) -> str:
        """Why the length of the run under way is not just what its brackets say; else empty."""
        if self._run_gap_us > 0:
            return GAPS_INSIDE
        return START_NOT_SEEN if self._run_hidden else ""

    def _lose(self, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        if self.running is None:
            return []
        was_running = self.running
        if was_running:
            self.known_on_us += max(0, last_good_us - self._counted_us)
        self._before = was_running
        # A start seen after last_good_us is already counted; never count backwards.
        self._counted_us = max(self._counted_us, last_good_us)
        self.running = None
        state = self._state(by_us, reason)
        return [state, self._run_hours(by_us, by_us)] if was_running else [state]

    def _find(self, by_us: int) -> list[Output]:
        """The gap ends here; the state is as before until told otherwise."""
        gap_us = max(0, by_us - self._counted_us)
        self.unknown_us += gap_us
        self._counted_us = max(self._counted_us, by_us)
        self._whole_since_us = by_us
        self.running, self._before = self._before, None
        if self.running is None:
            return [self._unknown_hours(by_us)]
        self.gaps += 1
        if self.run_since_us is not None:
            self._run_gap_us += gap_us
        return [self._unknown_hours(by_us), self._run_hours(by_us, by_us), self._starts(by_us)]

    # --- figures --------------------------------------------------------------------------------

    def _state(self, at_us: int, reason: str = "") -> Derived:
        if self.running is None:
            return Derived(f"{self.name}.state", UNKNOWN, Quality.BAD, at_us, reason=reason)
        return Derived(
            f"{self.name}.state", RUNNING if self.running else STOPPED, Quality.GOOD, at_us
        )

    def _run_hours(self, at_us: int, known_us: int) -> Derived:
        known = self.known_on_until(known_us)
        unknown = self.unknown_until(at_us)
        not_read = 0 if self.running is None else max(0, at_us - max(known_us, self._counted_us))
        return Derived(
            f"{self.name}.run_hours",
            known / 1e6,
            Quality.UNCERTAIN if unknown else Quality.GOOD,
            at_us,
            low=max(0, known - self.bracket_us) / 1e6,
            high=(known + self.bracket_us + unknown + not_read) / 1e6,
            reason="unknown time" if unknown else "",
        )

    def _unknown_hours(self, at_us: int) -> Derived:
        return Derived(
            f"{self.name}.run_hours_unknown", self.unknown_until(at_us) / 1e6, Quality.GOOD, at_us
        )

    def _current_run(self, at_us: int, known_us: int) -> Derived:
        since_us = at_us if self.run_since_us is None else self.run_since_us
        length_us = max(0, known_us - since_us)
        early_us, doubt = self._run_early_us, self._doubt()
        self._run_told = True
        return Derived(
            f"{self.name}.current_run",
            length_us / 1e6,
            Quality.UNCERTAIN if doubt else Quality.GOOD,
            at_us,
            low=self._run_at_least_us(known_us) / 1e6,
            high=(
                None
                if early_us is None
                else (max(at_us, since_us) - since_us + self._run_bracket_us + early_us) / 1e6
            ),
            reason=doubt,
        )

    def _run_at_least_us(self, known_us: int) -> int:
        """For how long it surely has run: since the last gap, which may hide a pause."""
        since_us = (self.run_since_us or 0) + self._run_bracket_us
        if self._run_gap_us and self._whole_since_us is not None:
            since_us = max(since_us, self._whole_since_us)
        return max(0, known_us - since_us)

    def _starts(self, at_us: int) -> Derived:
        hidden = self.gaps > 0
        return Derived(
            f"{self.name}.starts",
            float(self.starts),
            Quality.UNCERTAIN if hidden else Quality.GOOD,
            at_us,
            low=float(self.starts),
            high=None if hidden else float(self.starts),
            reason=HIDDEN_STARTS if hidden else "",
        )

    def _rate_now(self, at_us: int) -> list[int]:
        """Starts in the last hour, and 1 if all of that hour was watched, else 0."""
        since_us = self._whole_since_us
        whole = self.running is not None and since_us is not None and at_us - since_us >= HOUR_US
        return [self.starts_in_last_hour(at_us), int(whole)]

    def _rate(self, at_us: int) -> Derived:
        self._rate_told = self._rate_now(at_us)
        starts, whole = self._rate_told
        rate_per_s = starts / 3600
        return Derived(
            f"{self.name}.starts_per_hour",
            rate_per_s,
            Quality.GOOD if whole else Quality.UNCERTAIN,
            at_us,
            low=rate_per_s,
            high=rate_per_s if whole else None,
            reason="" if whole else HOUR_NOT_WHOLE,
        )

    # --- keeping --------------------------------------------------------------------------------

    _KEPT = (
        "running", "known_on_us", "unknown_us", "bracket_us", "starts", "gaps", "run_since_us",
        "_run_gap_us", "_run_bracket_us", "_run_early_us", "_run_hidden", "_before", "_point_bad",
        "_counted_us", "_whole_since_us", "_rate_told", "_run_told",
        "_turned_us", "_turn_half_us", "_turn_from_us",
    )  # fmt: skip

    def save(self) -> Saved:
        saved: Saved = {name.lstrip("_"): getattr(self, name) for name in self._KEPT}
        saved["recent"] = list(self._recent)
        return saved

    def restore(self, saved: Saved) -> None:
        try:
            kept = {name: saved[name.lstrip("_")] for name in self._KEPT}
            recent = cast(list[int], saved["recent"])
        except KeyError as missing:
            raise ValueError(f"run state of {self.name} lacks {missing}") from None
        for name, value in kept.items():
            setattr(self, name, value)
        self._recent = deque(recent, maxlen=MOST_RECENT_STARTS)
