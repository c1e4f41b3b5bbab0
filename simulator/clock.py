"""The simulator's only look at a clock; everything else has the simulated plant's own time."""

from __future__ import annotations

import time


def utc_now_us() -> int:
    """What the machine believes UTC to be, microseconds since 1970."""
    return time.time_ns() // 1_000


def monotonic_us() -> int:
    """A clock that is never stepped, microseconds since some instant."""
    return time.monotonic_ns() // 1_000
