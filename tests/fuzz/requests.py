"""Requests as no browser makes them: over real sockets, whole or in pieces, one connection each."""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from random import Random

from tests.fuzz.mutation import damaged, pieces_of

ANSWERED = (b"200", b"304", b"400", b"404", b"405", b"408", b"413", b"414", b"421", b"429", b"431",
            b"501", b"503", b"505")  # fmt: skip
PATHS = (
    "/", "/live", "/plant", "/metrics", "/healthz", "/static/page.js", "/static/../app.py",
    "/static/%2e%2e/%2e%2e/settings.yaml", "//etc/passwd", "/equipment/sump", "/equipment/..",
    "/chart/sump/level.svg?from=9999-99-99", "/plant?from=2026-07-01&to=1026-07-01", "/%00", "*",
)  # fmt: skip
METHODS = ("GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT", "get", "PRI")
HEADERS = (
    "Host: 127.0.0.1", "Host: evil.example.org", "Host:", "Content-Length: 5",
    "Content-Length: -1", "Content-Length: 99999999999", "Transfer-Encoding: chunked",
    "Expect: 100-continue", "Upgrade: websocket", "Authorization: Basic eDp5",
    "Accept-Encoding: gzip", "Range: bytes=0-", "Cookie: a=b", f"X-Long: {'x' * 9_000}",
)  # fmt: skip
WITHIN_S = 5.0


def request(rng: Random) -> bytes:
    """A request: right, odd, or damaged."""
    lines = [f"{rng.choice(METHODS[:3] + METHODS)} {rng.choice(PATHS)} HTTP/1.{rng.choice('01')}"]
    if rng.random() < 0.8:
        lines.append(HEADERS[0])
    lines += rng.sample(HEADERS, rng.choice((0, 0, 1, 2, 4)))
    lines.append("Connection: close")
    data = "\r\n".join([*lines, "", "hello" if rng.random() < 0.2 else ""]).encode()
    return damaged(data, rng) if rng.random() < 0.6 else data


async def ask(port: int, data: bytes, rng: Random) -> bytes:
    """The status of what came back, or how the connection ended."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        for piece in pieces_of(data, rng):
            writer.write(piece)
        with contextlib.suppress(OSError):
            writer.write_eof()
        head = await asyncio.wait_for(reader.read(200), WITHIN_S)
    except (ConnectionError, TimeoutError) as error:  # it may hang up before all is sent
        return b"hung up" if isinstance(error, ConnectionError) else b"no answer"
    finally:
        writer.close()
    return head.split(b" ")[1] if head.startswith(b"HTTP/1.") else b"closed"


async def request_cases(port: int, rng: Random, count: int) -> Counter[bytes]:
    """Send so many requests, some at a time; how many ended how."""
    told: Counter[bytes] = Counter()
    for _ in range(0, count, 20):
        some = [ask(port, request(rng), rng) for _ in range(20)]
        told.update(await asyncio.gather(*some))
    return told
