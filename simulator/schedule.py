"""The simulated world's own time: integer microseconds since 1970 UTC, and what is due when.

Nothing happens between two due instants but what was fixed at the first, so it does not matter in
how many steps a caller walks through time.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable

SECOND_US = 1_000_000
MINUTE_US = 60 * SECOND_US
HOUR_US = 3600 * SECOND_US
DAY_US = 24 * HOUR_US


class Timer:
    """One thing that can be due at one instant at a time; setting it again moves it."""

    __slots__ = ("_action", "_schedule", "due_us", "turn")

    def __init__(self, schedule: Schedule, action: Callable[[], None]) -> None:
        self._schedule = schedule
        self._action = action
        self.due_us: int | None = None
        self.turn = 0

    def set(self, at_us: int) -> None:
        """Be due at ``at_us``, or now if that has passed."""
        self._schedule.enter(self, at_us)

    def set_in(self, delay_us: int) -> None:
        """Be due ``delay_us`` from now."""
        self._schedule.enter(self, self._schedule.now_us + delay_us)

    def cancel(self) -> None:
        """Be due no more."""
        self.due_us = None

    def fire(self) -> None:
        """Do what is due."""
        self.due_us = None
        self._action()


class Schedule:
    """All timers, in order of time and, at one instant, of being set."""

    def __init__(self, start_us: int) -> None:
        self.now_us = start_us
        self._turn = 0
        self._heap: list[tuple[int, int, Timer]] = []

    def timer(self, action: Callable[[], None]) -> Timer:
        """A timer that is not due yet."""
        return Timer(self, action)

    def enter(self, timer: Timer, at_us: int) -> None:
        """Make ``timer`` due at ``at_us`` (not before now)."""
        if at_us < self.now_us:
            at_us = self.now_us
        self._turn += 1
        timer.turn = self._turn
        timer.due_us = at_us
        heapq.heappush(self._heap, (at_us, self._turn, timer))

    def next_us(self) -> int | None:
        """When the next timer is due, or None."""
        heap = self._heap
        while heap:
            at_us, turn, timer = heap[0]
            if timer.turn == turn and timer.due_us == at_us:
                return at_us
            heapq.heappop(heap)
        return None

    def run_one(self) -> None:
        """Go to the next due instant and do the first thing that is due there."""
        at_us = self.next_us()
        if at_us is None:
            return
        _, _, timer = heapq.heappop(self._heap)
        self.now_us = at_us
        timer.fire()

    def run_until(self, at_us: int) -> None:
        """Do everything that is due up to and including ``at_us``, and stand there."""
        heap = self._heap
        while heap and heap[0][0] <= at_us:
            due_us, turn, timer = heapq.heappop(heap)
            if timer.turn == turn and timer.due_us == due_us:
                self.now_us = due_us
                timer.fire()
        self.now_us = max(self.now_us, at_us)
