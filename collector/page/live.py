"""Tells those who look on what has changed, by server-sent events.

Two events come: ``sections``, an object with the inside of every section that changed, by its id;
and ``beat``, every ``BEAT_S``: ``utc`` and ``as_of`` in seconds, and for each panel the instant of
its last good answer in microseconds. Whoever hears no beat knows that his page is old.

There is no queue. Each listener remembers what he was sent and gets, when his connection takes it,
the difference to what is so now; a slow one gets fewer messages and never more than one page waits
for him. A connection that takes nothing is ended elsewhere (``doors.py``).

Source: HTML Living Standard, section 9.2 (server-sent events).
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, Callable, Mapping
from typing import Any

import structlog

from collector.clock import MICROSECONDS, Clock
from collector.page.kept import Kept
from collector.page.plant_renderer import Rendered

BEAT_S = 2
MOST_LISTENERS = 32
RETRY = b"retry: 3000\n\n"

log = structlog.get_logger()


class Hub:
    """All who look on.

    Args:
        kept: makes the sections, at most so often.
        beat: what a beat tells, from the sections that were made last.
        clock: plant time.

    Attributes:
        listeners: how many look on.
    """

    def __init__(
        self,
        kept: Kept[Rendered | None],
        beat: Callable[[Rendered | None], Mapping[str, Any]],
        clock: Clock,
    ) -> None:
        self._kept = kept
        self._beat = beat
        self._clock = clock
        self._news = asyncio.Event()
        self._turn = asyncio.Event()
        self._rendered: Rendered | None = None
        self._beats = 0
        self._closed = False
        self.listeners = 0

    @property
    def full(self) -> bool:
        """Whether no more may listen."""
        return self._closed or self.listeners >= MOST_LISTENERS

    def wake(self) -> None:
        """Something was committed."""
        self._news.set()

    def close(self) -> None:
        """End every listener's stream."""
        self._closed = True
        self._turn.set()

    async def run(self) -> None:
        """Make the sections when something was committed and somebody listens; for ever."""
        beating = asyncio.create_task(self._keep_beating())
        try:
            while True:
                await self._news.wait()
                self._news.clear()
                if self.listeners:  # else whoever comes next gets everything
                    await self._clock.sleep_until(self._kept.due_us)
                    await self._look()
        finally:
            beating.cancel()

    async def messages(self) -> AsyncGenerator[bytes]:
        """What one listener is sent, from all sections on."""
        yield RETRY
        await self._look()
        sent: Mapping[str, str] = {}
        beats = -1
        while not self._closed:
            turn, rendered = self._turn, self._rendered
            if rendered is not None:
                now = rendered.sections
                changed = {key: html for key, html in now.items() if sent.get(key) != html}
                sent = now
                if changed:
                    yield _event("sections", changed)
            if beats != self._beats:
                beats = self._beats
                yield _event("beat", self._beat(rendered))
            await turn.wait()

    async def _look(self) -> None:
        """Make the sections; a bug in them leaves those who look on with their beats."""
        try:
            self._rendered = await self._kept.get()
        except Exception:
            log.exception("the page could not be brought up to date")
        self._next_turn()

    async def _keep_beating(self) -> None:
        while True:
            await self._clock.sleep_until(self._clock.now_us() + BEAT_S * MICROSECONDS)
            self._beats += 1
            self._next_turn()

    def _next_turn(self) -> None:
        if not self._closed:
            turn, self._turn = self._turn, asyncio.Event()
            turn.set()


def _event(name: str, data: Mapping[str, Any]) -> bytes:
    # JSON escapes line ends, so that the data is one line.
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()
