"""A clock that stands until everything waits for it, and then jumps to the next instant awaited."""

from __future__ import annotations

import asyncio
import heapq
import itertools

START_US = 1_700_000_000_000_123  # not a round figure, so that a mixed-up clock shows
SETTLING_TURNS = 20  # turns of the loop after which every task waits for the clock again


class VirtualClock:
    """Plant time for tests; wall time is the same."""

    def __init__(self) -> None:
        self._now_us = START_US
        self._sleepers: list[tuple[int, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def now_us(self) -> int:
        """Plant time, us."""
        return self._now_us

    def wall_us(self) -> int:
        """The same."""
        return self._now_us

    async def sleep_until(self, at_us: int) -> None:
        """Wait until the clock has been moved there."""
        if at_us <= self._now_us:
            return
        woken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (at_us, next(self._order), woken))
        await woken

    async def pass_s(self, seconds: float) -> None:
        """Let that much time pass, sleeper by sleeper."""
        end_us = self._now_us + round(seconds * 1e6)
        while True:
            for _ in range(SETTLING_TURNS):
                await asyncio.sleep(0)
            if not self._sleepers or self._sleepers[0][0] > end_us:
                self._now_us = end_us
                return
            at_us, _, woken = heapq.heappop(self._sleepers)
            self._now_us = max(self._now_us, at_us)
            if not woken.done():
                woken.set_result(None)
