"""What a link is to the rest of the program: something that answers one checked read at a time."""

from __future__ import annotations

from typing import Protocol

from collector.core.scans import Read


class Link(Protocol):
    """A way to read panels. One read at a time; the caller holds the queue."""

    async def read(self, request: Read, timeout_s: float) -> bytes:
        """Send one read and return the payload of the checked reply.

        Raises:
            ReadFault: a ``LinkError`` with a short reason; see ``collector/links/faults.py``.
        """
        ...

    async def close(self) -> None:
        """Give up the connection or the line."""
        ...
