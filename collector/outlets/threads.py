"""Blocking calls of foreign libraries, made where nobody has to wait for them at the end.

The event loop's own pool would hold up the end of the process until its last call returns; a POST
to a dead store may take its whole time limit. A daemon thread of its own costs about 0.1 ms.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Awaitable, Callable
from typing import TypeVar

from collector.clock import MICROSECONDS, Clock

T = TypeVar("T")


async def in_daemon_thread(call: Callable[[], T]) -> T:
    """Await a blocking call; when the wait is cancelled the call ends by itself, unheard."""
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

    threading.Thread(target=work, daemon=True, name="outlet call").start()
    return await outcome


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
