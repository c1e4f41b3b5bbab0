"""Asks a page as a browser would, over real sockets, byte by byte where that matters."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import ssl
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from typing import Any

WITHIN_S = 20.0


@dataclass(frozen=True)
class Reply:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        """The body as text."""
        return self.body.decode()


@dataclass
class Browser:
    """One who asks.

    Args:
        port: of the page on loopback.
        tls: how to secure connections, None for not at all.
        password: sent with every request; empty for none.
        source: the loopback address to come from; those of 127.0.0.0/8 are all there.
    """

    port: int
    tls: ssl.SSLContext | None = None
    password: str = ""
    host: str = "127.0.0.1"
    more: dict[str, str] = field(default_factory=dict)

    async def ask(self, path: str, method: str = "GET", **headers: str) -> Reply:
        """One request over a connection of its own."""
        async with self.connection() as (reader, writer):
            writer.write(self.request(path, method, **headers))
            head, _, body = (await asyncio.wait_for(reader.read(), WITHIN_S)).partition(b"\r\n\r\n")
        return _reply(head, body)

    def request(self, path: str, method: str = "GET", **headers: str) -> bytes:
        """The bytes of a request; underscores in names of headers stand for dashes."""
        told = {"host": f"{self.host}:{self.port}", "connection": "close"} | self.more
        if self.password:
            coded = base64.b64encode(f"engineer:{self.password}".encode()).decode()
            told["authorization"] = f"Basic {coded}"
        told |= {name.replace("_", "-"): value for name, value in headers.items()}
        lines = [f"{method} {path} HTTP/1.1", *(f"{k}: {v}" for k, v in told.items()), "", ""]
        return "\r\n".join(lines).encode()

    @contextlib.asynccontextmanager
    async def connection(
        self,
    ) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
        """An open connection, gone afterwards."""
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", self.port, ssl=self.tls, limit=1 << 22
        )
        try:
            yield reader, writer
        finally:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    @contextlib.asynccontextmanager
    async def looking_on(self) -> AsyncIterator[AsyncIterator[tuple[str, dict[str, Any]]]]:
        """The events of the live page as they come."""
        async with self.connection() as (reader, writer):
            writer.write(self.request("/live"))
            head = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), WITHIN_S)
            assert _reply(head[:-4], b"").status == 200, head
            yield _events(reader)


async def _events(reader: asyncio.StreamReader) -> AsyncIterator[tuple[str, dict[str, Any]]]:
    name = ""
    while line := await asyncio.wait_for(reader.readline(), WITHIN_S):
        if line.startswith(b"event: "):
            name = line[7:].strip().decode()
        elif line.startswith(b"data: "):
            yield name, json.loads(line[6:])


def _reply(head: bytes, body: bytes) -> Reply:
    first, *lines = head.decode("latin-1").split("\r\n")
    pairs = (line.partition(":") for line in lines)
    headers = {name.lower(): value.strip() for name, _, value in pairs}
    return Reply(int(first.split()[1]) if first else 0, headers, body)
