"""The only module that reads a clock.

Two times exist, and they are never mixed:

* **plant time**, ``now_us``: microseconds on a line that never goes back and never jumps. It starts
  at UTC when a journal begins and runs on the monotonic clock from there, across restarts. All
  durations and all journal order are on it.
* **wall time**, ``wall_us``: what the machine believes UTC to be. It may be stepped. Stamps for
  people are plant time plus the offset last measured between the two.
"""

from __future__ import annotations

import asyncio
import ctypes
import time
from pathlib import Path
from typing import Protocol

MICROSECONDS = 1_000_000
SYNCHRONISED_FILE = Path("/run/systemd/timesync/synchronized")
TIME_ERROR = 5  # adjtimex(2): "the system clock is not synchronized to a reliable server"
SYSTEM = ctypes.CDLL(None, use_errno=True)
TIMEX_BYTES = 512  # struct timex is 208 bytes on 64-bit Linux


class Clock(Protocol):
    """What every waiting part of the daemon gets instead of the time module."""

    def now_us(self) -> int:
        """Plant time in microseconds; never goes back."""
        ...

    def wall_us(self) -> int:
        """UTC as the machine believes it, microseconds since 1970; may be stepped."""
        ...

    async def sleep_until(self, at_us: int) -> None:
        """Wait until plant time ``at_us``; return at once if it has passed."""
        ...


class SystemClock:
    """The machine's own clocks.

    Args:
        start_us: plant time of this instant; None begins the line at UTC.
    """

    def __init__(self, start_us: int | None = None) -> None:
        self._origin_ns = time.monotonic_ns()
        self._start_us = self.wall_us() if start_us is None else start_us

    def now_us(self) -> int:
        return self._start_us + (time.monotonic_ns() - self._origin_ns) // 1_000

    def wall_us(self) -> int:
        return time.time_ns() // 1_000

    async def sleep_until(self, at_us: int) -> None:
        delay_us = at_us - self.now_us()
        if delay_us > 0:
            await asyncio.sleep(delay_us / MICROSECONDS)


def maybe_synchronised() -> bool | None:
    """Whether a time server keeps the machine's clock; None where the system does not tell.

    The kernel knows, whichever time service there is. Where it may not be asked (a hardened
    service), the file tells that systemd's own leaves behind. Nothing may wait for the answer.
    Source: adjtimex(2); systemd-timesyncd.service(8), "Files".
    """
    asked = getattr(SYSTEM, "adjtimex", None)
    state = -1 if asked is None else asked(ctypes.create_string_buffer(TIMEX_BYTES))
    if state >= 0:
        return bool(state != TIME_ERROR)
    return True if SYNCHRONISED_FILE.exists() else None
