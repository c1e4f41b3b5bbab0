"""Something costly that is made anew at most every so often, however many ask for it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Generic, TypeVar

from collector.clock import Clock

T = TypeVar("T")


class Kept(Generic[T]):
    """Keeps what was made last; a failure is kept as long, so that many who ask cost no more.

    Args:
        make: makes it.
        clock: plant time.
        for_us: how long it is good.
    """

    def __init__(self, make: Callable[[], Awaitable[T]], clock: Clock, for_us: int) -> None:
        self._make = make
        self._clock = clock
        self._for_us = for_us
        self._turn = asyncio.Lock()
        self._made: T | None = None
        self._failure: Exception | None = None
        self.due_us = clock.now_us()

    async def get(self) -> T:
        """What was made last, or a new one."""
        async with self._turn:
            if self._clock.now_us() >= self.due_us:
                try:
                    self._made, self._failure = await self._make(), None
                except Exception as failure:
                    self._failure = failure
                finally:
                    self.due_us = self._clock.now_us() + self._for_us
            if self._failure is not None:
                raise self._failure
            assert self._made is not None
            return self._made
