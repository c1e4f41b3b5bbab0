"""What happened, as a hash: the same seed must come to the same, to the byte and the nanosecond."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable


class Trace:
    """Takes everything that passes between the daemon and its world.

    Args:
        now_ns: true time.

    Attributes:
        count: of entries.
        last: the newest of them, for people.
    """

    def __init__(self, now_ns: Callable[[], int]) -> None:
        self.count = 0
        self.muted = False
        self.last: deque[str] = deque(maxlen=40)
        self._now_ns = now_ns
        self._hash = hashlib.blake2b(digest_size=16)

    def note(self, what: str, *details: object) -> None:
        """Take one entry."""
        if self.muted:
            return
        self.count += 1
        entry = f"{self._now_ns()} {what} {details!r}\n"
        self._hash.update(entry.encode())
        if what not in ("sent", "came", "published", "written"):
            self.last.append(f"{self._now_ns() / 1e9:.6f} s {what} {details}")

    def digest(self) -> str:
        """The hash of all of it."""
        return self._hash.hexdigest()
