"""A clock on which a second passes in a hundredth."""

from __future__ import annotations

import asyncio

from collector.clock import MICROSECONDS, SystemClock

FASTER = 100


class FastClock:
    """Plant time that runs a hundred times faster than the machine's clock."""

    def __init__(self) -> None:
        self._clock = SystemClock(0)

    def now_us(self) -> int:
        """Plant time."""
        return self._clock.now_us() * FASTER

    def wall_us(self) -> int:
        """The same; no test here asks for dates."""
        return self.now_us()

    async def sleep_until(self, at_us: int) -> None:
        """Wait for a hundredth of the time."""
        await asyncio.sleep(max(0, at_us - self.now_us()) / FASTER / MICROSECONDS)
