"""Short waits that end when they should: asyncio's own end up to 1 ms late.

The event loop waits in whole milliseconds, rounded up. The silence between two frames of a fast
serial line is 1.75 ms, and a short read takes no more than 7 ms, so this would cost much of it. A
timer of the kernel is a file that becomes readable on time, and the loop watches it like any other.

Source: timerfd_create(2). Python offers it from 3.13 on; before that it is called as in C.
"""

from __future__ import annotations

import asyncio
import ctypes
import os
import struct

CLOCK_MONOTONIC = 1  # linux/time.h
NANOSECONDS = 1_000_000_000


class LineTimer:
    """A kernel's timer in an event loop; ordinary waits where the system has none.

    Args:
        loop: the running loop.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._waiting: asyncio.Future[None] | None = None
        library = ctypes.CDLL(None)
        create = getattr(library, "timerfd_create", None)
        self._file: int = (
            -1 if create is None else create(CLOCK_MONOTONIC, os.O_NONBLOCK | os.O_CLOEXEC)
        )
        if self._file >= 0:
            self._set = library.timerfd_settime
            loop.add_reader(self._file, self._over)

    async def wait(self, seconds: float) -> None:
        """Wait so long, or a little longer; one at a time.

        Args:
            seconds: more than 0.
        """
        if self._file < 0:
            await asyncio.sleep(seconds)
            return
        whole_s, rest_ns = divmod(int(seconds * NANOSECONDS) + 1, NANOSECONDS)
        waiting = self._waiting = self._loop.create_future()
        # struct itimerspec: never again after the first time, which is so long from now.
        if self._set(self._file, 0, struct.pack("@4l", 0, 0, whole_s, rest_ns), None):
            await asyncio.sleep(seconds)
            return
        await waiting

    def close(self) -> None:
        """Give the file back; a wait under way does not end."""
        if self._file >= 0:
            self._loop.remove_reader(self._file)
            os.close(self._file)
            self._file = -1

    def _over(self) -> None:
        try:
            os.read(self._file, 8)
        except BlockingIOError:
            return  # it was set anew in the meantime
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)
