"""A panel's own hour meter and start counter, against our count of the same machine.

Over time watched without a gap the two must grow alike: the difference, over up to thirty days, is
the drift (a meter that is dead, counts something else, or a run contact that bridges). Across our
own gaps the panel's figures say what we could not see:

    run time in the gap = growth of the hour meter - run time we saw between its two readings

within zero and the length of the gap, and the same with starts. A panel brings its figures up to
date late (``LATE_S``), so they are compared that long after the return. The error is the deadband
and step of the meter, the lateness before the gap, and our brackets.
"""

from __future__ import annotations

from collections import deque
from dataclasses import astuple, dataclass

from collector.core.component import Reading, Saved
from collector.core.process.counters import LATE_S, ROLLED_OVER, CounterTrack
from collector.core.process.telling import Told, plain, saved_numbers
from collector.core.records import Derived, Event, Output, PointChanged, Quality
from collector.core.runs import HOUR_US, RunMeter
from collector.plant.equipment import Machine

DAY_US = 86_400_000_000
LATE_US = round(LATE_S * 1e6)
DAYS_KEPT = 30
LEAST_GROWTHS = 20.0
"""Growth of the hour meter, in its own errors, before a drift in per cent means anything."""

ACROSS_GAPS = "across gaps by the panel's own figure"


@dataclass(frozen=True, slots=True)
class Pair:
    """Both counts at one instant, in s and starts; what the panel counts is since its first read.

    Args:
        late_starts: starts we saw so shortly before that the panel may not count them yet.
    """

    at_us: int
    panel_s: float
    ours_s: float
    unknown_s: float
    panel_starts: float
    our_starts: float
    late_starts: float


class RunCheck:
    """Hour meter and start counter of one machine.

    Args:
        name, part: from the plant file.
        runs: its run meter, which is told of everything before this is.
        hours, starts: its hour meter (s) and start counter, or None.
        start_us: plant time at which watching begins.
    """

    def __init__(
        self, name: str, part: Machine, runs: RunMeter, hours: CounterTrack | None,
        starts: CounterTrack | None, start_us: int,
    ) -> None:  # fmt: skip
        self.machine = name
        self.name = f"{name}.check"
        self._runs = runs
        self._hours_point = part.hour_meter if hours is not None else None
        self._starts_point = part.start_counter if starts is not None else None
        self._run_panel = part.run.partition(".")[0]
        self._hours, self._starts = hours, starts
        points = (part.run, self._hours_point, self._starts_point)
        self.points = tuple(dict.fromkeys(point for point in points if point is not None))
        self._days: deque[Pair] = deque(maxlen=DAYS_KEPT + 1)
        self._before_gap: Pair | None = None
        self._join_us: int | None = None
        # What the panel's figures add to ours across gaps: run time and starts with their errors,
        # and the unknown time they speak of, all in s.
        self._filled_s = self._filled_error_s = self._covered_s = 0.0
        self._more_starts = self._more_starts_error = 0.0
        self._next_day_us = (start_us // DAY_US + 1) * DAY_US
        self._told = Told()

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        track = {self._hours_point: self._hours, self._starts_point: self._starts}.get(change.point)
        if track is None or change.quality is Quality.BAD or isinstance(change.value, str | None):
            return []
        first = track.read_us is None
        word = track.read(float(change.value), change.after_us, change.by_us)
        if first:
            self._days.clear()
        if word in ("", ROLLED_OVER):
            return []
        self._days.clear()
        self._before_gap = self._join_us = None
        which = "hour_meter" if track is self._hours else "start_counter"
        subject = f"{self.machine}.{which}_changed"
        return [Event(subject, change.after_us, change.by_us, reason=word)]

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del reason, by_us
        self._join_us = None
        if panel == self._run_panel and self._before_gap is None and self._is_read:
            self._before_gap = self._pair(last_good_us)
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        del panel
        self._days.clear()
        if self._before_gap is not None:
            self._join_us = by_us + LATE_US
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int:
        """The end of the plant day, or when the panel must have caught up after a gap."""
        if self._join_us is None:
            return self._next_day_us
        return min(self._next_day_us, self._join_us)

    def wake(self, at_us: int) -> list[Output]:
        found: list[Output] = []
        if self._join_us is not None and at_us >= self._join_us:
            self._join_us = None
            found = self._join(at_us)
        if at_us >= self._next_day_us:
            self._next_day_us = (at_us // DAY_US + 1) * DAY_US
            found += self._daily(at_us)
        return found

    # --- gaps -----------------------------------------------------------------------------------

    def _join(self, at_us: int) -> list[Output]:
        before, now = self._before_gap, self._pair(at_us)
        self._before_gap = None
        gap_s = 0.0 if before is None else now.unknown_s - before.unknown_s
        if before is None or gap_s <= 0.0 or self._runs.running is None:
            return []
        if self._hours is not None:
            grown_s = now.panel_s - before.panel_s - (now.ours_s - before.ours_s)
            self._filled_s += min(max(0.0, grown_s), gap_s)
            # Late once at either end, but never by more than the machine ran.
            error_s = self._hours.resolution + min(LATE_S, gap_s)
            self._filled_error_s += min(error_s, gap_s)
            self._covered_s += gap_s
        if self._starts is not None:
            more = now.panel_starts - before.panel_starts - (now.our_starts - before.our_starts)
            self._more_starts += max(0.0, more)
            self._more_starts_error += before.late_starts + now.late_starts
        return self._tell_joined(at_us)

    def joined(self, at_us: int) -> Reading | None:
        """Run time with the hour meter across gaps, s; None without one, or before any gap."""
        if self._hours is None or self._covered_s <= 0.0:
            return None
        known_s = self._runs.known_on_until(at_us) / 1e6
        left_us = max(0, self._runs.unknown_until(at_us) - round(self._covered_s * 1e6))
        margin_s = self._runs.bracket_us / 1e6
        value = known_s + self._filled_s
        low = max(known_s, value - self._filled_error_s) - margin_s
        high = min(value + self._filled_error_s, known_s + self._covered_s)
        return Reading(value, max(0.0, low), high + margin_s + left_us / 1e6, left_us)

    def _tell_joined(self, at_us: int) -> list[Output]:
        found: list[Output] = []
        reading = self.joined(at_us)
        if reading is not None:
            found += self._told.news(
                Derived(f"{self.machine}.run_hours_joined", reading.value, Quality.UNCERTAIN,
                        at_us, reading.low, reading.high, ACROSS_GAPS),
                60.0,
            )  # fmt: skip
        if self._more_starts > 0.0:
            value = self._runs.starts + self._more_starts
            error = self._more_starts_error
            found += self._told.news(
                Derived(f"{self.machine}.starts_joined", value, Quality.UNCERTAIN, at_us,
                        max(float(self._runs.starts), value - error), value + error, ACROSS_GAPS)
            )  # fmt: skip
        return found

    # --- drift ----------------------------------------------------------------------------------

    @property
    def _is_read(self) -> bool:
        tracks = [track for track in (self._hours, self._starts) if track is not None]
        return all(track.read_us is not None for track in tracks)

    def _pair(self, at_us: int) -> Pair:
        return Pair(
            at_us,
            0.0 if self._hours is None else self._hours.grown,
            self._runs.known_on_until(at_us) / 1e6,
            self._runs.unknown_until(at_us) / 1e6,
            0.0 if self._starts is None else self._starts.grown,
            float(self._runs.starts),
            float(self._runs.starts_in_last_hour(at_us - LATE_US + HOUR_US)),
        )

    def _daily(self, at_us: int) -> list[Output]:
        if not self._is_read or self._runs.running is None or self._before_gap is not None:
            return []
        now = self._pair(at_us)
        if self._days and now.unknown_s > self._days[0].unknown_s:
            self._days.clear()
        self._days.append(now)
        first, found = self._days[0], self._tell_joined(at_us) if self._covered_s else []
        if first is now:
            return found
        if self._hours is not None:
            panel_s, ours_s = now.panel_s - first.panel_s, now.ours_s - first.ours_s
            error_s = self._hours.resolution + LATE_S
            if max(panel_s, ours_s) >= LEAST_GROWTHS * error_s and panel_s > 0.0:
                drift, error = (ours_s - panel_s) / panel_s, error_s / panel_s
                found += self._told.news(
                    Derived(f"{self.machine}.hour_meter_drift", drift, Quality.GOOD, at_us,
                            drift - error, drift + error),
                    max(0.5 * error, 0.001),
                )  # fmt: skip
            elif ours_s >= LEAST_GROWTHS * error_s:  # it stands still although the machine runs
                found += self._told.news(
                    Derived(f"{self.machine}.hour_meter_drift", None, Quality.BAD, at_us,
                            reason="the hour meter stands still while the machine runs")
                )  # fmt: skip
        if self._starts is not None:
            more = now.our_starts - first.our_starts - (now.panel_starts - first.panel_starts)
            found += self._told.news(
                Derived(f"{self.machine}.start_counter_drift", more, Quality.GOOD, at_us,
                        more - now.late_starts, more + first.late_starts)
            )  # fmt: skip
        return found

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        before = self._before_gap
        return {
            "hours": None if self._hours is None else self._hours.save(),
            "starts": None if self._starts is None else self._starts.save(),
            "days": plain(each for pair in self._days for each in astuple(pair)),
            "before_gap": None if before is None else plain(astuple(before)),
            "join_us": self._join_us, "next_day_us": self._next_day_us,
            "filled": plain((self._filled_s, self._filled_error_s, self._covered_s,
                             self._more_starts, self._more_starts_error)),
            "told": self._told.save(),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        days, filled = saved_numbers(saved, "days"), saved_numbers(saved, "filled")
        next_day_us, join_us = saved.get("next_day_us"), saved.get("join_us")
        if not isinstance(next_day_us, int) or len(filled) != 5:
            raise ValueError(f"the saved state of {self.name} is of another form")
        for track, key in ((self._hours, "hours"), (self._starts, "starts")):
            if track is not None:
                track.restore(saved.get(key))
        self._days.clear()
        self._days += [_pair_of(days[k : k + 7]) for k in range(0, len(days), 7)]
        self._before_gap = None
        if saved.get("before_gap") is not None:
            self._before_gap = _pair_of(saved_numbers(saved, "before_gap"))
        self._join_us = join_us if isinstance(join_us, int) else None
        self._next_day_us = next_day_us
        (self._filled_s, self._filled_error_s, self._covered_s,
         self._more_starts, self._more_starts_error) = filled  # fmt: skip
        self._told.restore(saved.get("told"))


def _pair_of(numbers: list[float]) -> Pair:
    return Pair(int(numbers[0]), *numbers[1:7])
