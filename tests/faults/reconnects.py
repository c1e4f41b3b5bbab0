"""Connections that break again and again: links to panels, to the broker, to the store.

``Flapping`` stands before a real server and passes bytes on; every connection ends after a number
of bytes, or when it is told to. What is counted before and after is what a process can run out of:
file descriptors (``/proc/self/fd``, proc(5)), tasks of the event loop, threads.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Self

from tests.real_parts import until

SETTLED_S = 0.25
PATIENCE_S = 10.0


@dataclass(frozen=True)
class Held:
    """What a process holds."""

    descriptors: int
    tasks: int
    threads: int

    @classmethod
    async def now(cls) -> Self:
        """As it is when what was ended has had time to end."""
        await asyncio.sleep(SETTLED_S)
        return cls._counted()

    async def grown_since(self) -> list[str]:
        """What there is more of now, and stays; empty if nothing is."""
        for _ in range(round(PATIENCE_S / SETTLED_S)):
            now = await self.now()
            more = now.more_than(self)
            if not more:
                break
        return more

    @classmethod
    def _counted(cls) -> Self:
        gc.collect()
        descriptors = len(os.listdir("/proc/self/fd"))
        return cls(descriptors, len(asyncio.all_tasks()), threading.active_count())

    def more_than(self, before: Held) -> list[str]:
        """What there is more of than before, in words."""
        return [
            f"{what}: {getattr(before, what)} before, {getattr(self, what)} after"
            for what in ("descriptors", "tasks", "threads")
            if getattr(self, what) > getattr(before, what)
        ]


class Flapping:
    """Passes connections on to a server, and breaks them.

    Args:
        port: of the server on the loopback.

    Attributes:
        port: where it listens.
        connections: how many there were.
    """

    def __init__(self, port: int) -> None:
        self.port = 0
        self.connections = 0
        self._behind = port
        self._open: set[asyncio.StreamWriter] = set()

    @contextlib.asynccontextmanager
    async def listening(self) -> AsyncIterator[None]:
        """Pass on meanwhile."""
        server = await asyncio.start_server(self._pass_on, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield
        finally:
            server.close()
            self.break_all()
            await until(lambda: not self._open, "the connections to end")
            await server.wait_closed()

    def break_all(self) -> None:
        """End every connection at once, as a mobile link does."""
        for writer in self._open:
            writer.transport.abort()

    async def _pass_on(self, theirs: asyncio.StreamReader, answer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", self._behind)
        except OSError:
            answer.transport.abort()
            return
        self._open |= {answer, writer}
        try:
            await asyncio.gather(_copy(theirs, writer), _copy(reader, answer))
        finally:
            self._open -= {answer, writer}
            for each in (answer, writer):
                each.transport.abort()


async def _copy(source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await source.read(1 << 16):
            target.write(data)
            await target.drain()
    target.close()
