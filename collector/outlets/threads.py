"""Blocking calls of foreign libraries, made where nobody has to wait for them at the end.

The event loop's own pool would hold up the end of the process until its last call returns; a POST
to a dead store may take its whole time limit. So they are made in daemon threads. To start one
costs about 0.1 ms: who calls often keeps one.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Awaitable, Callable
from typing import TypeVar

from collector.clock import MICROSECONDS, Clock

T = TypeVar("T")


class CallThread:
    """A daemon thread that makes blocking calls one after the other, from its first until ``end``.

    Everything is called on one event loop.
    """

    def __init__(self) -> None:
        self._given = threading.Condition()
        self._work: Callable[[], None] | None = None
        self._begun = self._ended = False

    def start(self, call: Callable[[], T]) -> asyncio.Future[T]:
        """Begin a blocking call; when its future is cancelled it ends by itself, unheard.

        One call at a time, and none after one that was cancelled.
        """
        loop = asyncio.get_running_loop()
        outcome: asyncio.Future[T] = loop.create_future()

        def give(value: T | None, error: BaseException | None) -> None:
            if outcome.done():
                return
            if error is not None:
                outcome.set_exception(error)
            else:
                outcome.set_result(value)  # type: ignore[arg-type] # T may itself be None

        def work() -> None:
            value: T | None = None
            error: BaseException | None = None
            try:
                value = call()
            except BaseException as caught:  # the waiting side raises it
                error = caught
            with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
                loop.call_soon_threadsafe(give, value, error)

        with self._given:
            self._work = work
            self._given.notify_all()
        if not self._begun:
            self._begun = True
            threading.Thread(target=self._run, daemon=True, name="outlet call").start()
        return outcome

    def end(self) -> None:
        """Let the thread go; a call under way ends by itself."""
        with self._given:
            self._ended = True
            self._given.notify_all()

    def _run(self) -> None:
        while True:
            with self._given:
                self._given.wait_for(lambda: self._work is not None or self._ended)
                work, self._work = self._work, None
            if work is None:
                return
            work()


async def in_daemon_thread(call: Callable[[], T]) -> T:
    """Await a blocking call in a thread of its own; see ``CallThread``."""
    thread = CallThread()
    try:
        return await thread.start(call)
    finally:
        thread.end()


async def within(clock: Clock, work: Awaitable[object], limit_s: float) -> bool:
    """Await something for a limited time; False if it was not done by then and was cancelled."""
    task = asyncio.ensure_future(work)
    deadline_us = clock.now_us() + int(limit_s * MICROSECONDS)
    alarm = asyncio.ensure_future(clock.sleep_until(deadline_us))
    try:
        await asyncio.wait({task, alarm}, return_when=asyncio.FIRST_COMPLETED)
        return task.done()
    finally:
        alarm.cancel()
        if task.done():
            task.result()
        task.cancel()
