"""The listening by itself, over real sockets and a clock that runs a hundred times faster.

An application of a few lines stands behind it, so that what is seen is the doors' alone.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from starlette.responses import PlainTextResponse, StreamingResponse
from starlette.types import Receive, Scope, Send

from collector.page.doors import KEPT_FOR_OWN, MOST_CONNECTIONS, Doors, bound
from collector.page.tls import Certificate
from tests.certificates import Authority
from tests.page_client import Browser
from tests.unit.page.fast_clock import FastClock

SOON_S = 5.0


async def answer(scope: Scope, receive: Receive, send: Send) -> None:
    """Say hello; keep silent for ever; or send without end."""

    async def silence() -> AsyncIterator[bytes]:
        yield b"begun"
        await asyncio.Event().wait()

    async def flood() -> AsyncIterator[bytes]:
        while True:
            yield b"x" * 65_536
            await asyncio.sleep(0)

    if scope["path"] in ("/live", "/silent"):
        await StreamingResponse(silence())(scope, receive, send)
    elif scope["path"] == "/flood":
        await StreamingResponse(flood())(scope, receive, send)
    else:
        await PlainTextResponse("hello")(scope, receive, send)


@contextlib.asynccontextmanager
async def doors(tls: ssl.SSLContext | None = None) -> AsyncIterator[Browser]:
    """The doors, open, and one who comes to them."""
    listening = bound("127.0.0.1", 0)
    port = listening.getsockname()[1]
    serving = asyncio.create_task(Doors(answer, listening, tls, FastClock()).serve())
    await asyncio.sleep(0)
    try:
        yield Browser(port)
    finally:
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)


async def is_ended(reader: asyncio.StreamReader) -> bool:
    """Whether the other side ends the connection soon, with or without a last word."""
    with contextlib.suppress(ConnectionResetError):
        await asyncio.wait_for(reader.read(-1), SOON_S)
    return True


async def test_a_request_is_answered() -> None:
    """And the server's name and version are nobody's business."""
    async with doors() as browser:
        reply = await browser.ask("/")
    assert (reply.status, reply.text) == (200, "hello")
    assert "server" not in reply.headers


@pytest.mark.parametrize("begun", [b"", b"GET / HTTP/1.1\r\nhost: x\r\nsl"])
async def test_who_does_not_finish_a_request_is_let_go(begun: bytes) -> None:
    """Ten seconds, whether nothing came or half a head."""
    async with doors() as browser, browser.connection() as (reader, writer):
        writer.write(begun)
        assert await is_ended(reader)


async def test_dripping_a_head_byte_by_byte_does_not_help() -> None:
    """The ten seconds are for the whole of it."""
    async with doors() as browser, browser.connection() as (reader, writer):
        ended = asyncio.create_task(is_ended(reader))
        writer.write(b"GET / HTTP/1.1\r\nhost: ")
        for _ in range(200):
            if ended.done():
                break
            with contextlib.suppress(ConnectionError):
                writer.write(b"x")
                await writer.drain()
            await asyncio.sleep(0.02)
        assert ended.done()


async def test_who_takes_nothing_is_let_go() -> None:
    """What waits for him is bounded, and so is the time."""
    async with doors() as browser, browser.connection() as (reader, writer):
        writer.write(browser.request("/flood"))
        await asyncio.sleep(1.0)  # a hundred seconds
        with contextlib.suppress(ConnectionResetError):
            for _ in range(1_000):  # what was under way, and then the end
                if not await asyncio.wait_for(reader.read(1 << 20), SOON_S):
                    break
            else:
                pytest.fail("the flood went on")


async def test_an_answer_that_does_not_come_ends_and_a_live_page_does_not() -> None:
    """A minute for an answer; who looks on hears as long as he likes."""
    async with doors() as browser:
        async with browser.connection() as (reader, writer):
            writer.write(browser.request("/silent"))
            assert await is_ended(reader)
        async with browser.connection() as (reader, writer):
            writer.write(browser.request("/live"))
            await reader.readuntil(b"begun")
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(reader.read(-1), 1.5)  # 150 s


async def test_a_head_that_is_too_large_is_refused() -> None:
    """16 KiB without an end are plenty."""
    async with doors() as browser, browser.connection() as (reader, writer):
        writer.write(b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\ncookie: " + b"x" * 20_000)
        assert (await asyncio.wait_for(reader.readline(), SOON_S)).startswith(b"HTTP/1.1 400 ")


async def test_connections_are_bounded_and_free_again_when_they_end() -> None:
    """More than that many wait for nobody: they are closed, and later ones are answered."""
    async with doors() as browser, contextlib.AsyncExitStack() as stack:
        live = []
        for _ in range(MOST_CONNECTIONS):
            reader, writer = await stack.enter_async_context(browser.connection())
            writer.write(browser.request("/live"))
            await reader.readuntil(b"begun")
            live.append(writer)
        reader, _ = await stack.enter_async_context(browser.connection())
        assert await is_ended(reader)
        live[0].close()
        await live[0].wait_closed()
        for _ in range(100):
            with contextlib.suppress(ConnectionResetError):
                if (await browser.ask("/")).status == 200:
                    break
            await asyncio.sleep(0.02)
        else:
            pytest.fail("the place did not get free")
    assert 0 < KEPT_FOR_OWN < MOST_CONNECTIONS


# --- TLS ------------------------------------------------------------------------------------------


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    """Signs the certificate of the page."""
    return Authority.make(tmp_path, "authority")


async def test_over_tls_nothing_older_than_version_1_2_is_spoken(authority: Authority) -> None:
    """RFC 8996 has done away with 1.0 and 1.1."""
    certificate = Certificate(*authority.sign("127.0.0.1"))
    trust = ssl.create_default_context(cafile=authority.file)
    async with doors(certificate.context) as browser:
        browser.tls = trust
        assert (await browser.ask("/")).text == "hello"
        old = ssl.create_default_context(cafile=authority.file)
        old.set_ciphers("ALL:@SECLEVEL=0")
        with pytest.warns(DeprecationWarning, match="TLSv1"):
            old.minimum_version = ssl.TLSVersion.TLSv1
        with pytest.warns(DeprecationWarning, match="TLSv1_1"):
            old.maximum_version = ssl.TLSVersion.TLSv1_1
        browser.tls = old
        with pytest.raises((ssl.SSLError, ConnectionError)):
            await browser.ask("/")


async def test_who_speaks_no_tls_is_let_go_and_hurts_nobody(authority: Authority) -> None:
    """Neither plain HTTP nor silence instead of a handshake."""
    certificate = Certificate(*authority.sign("127.0.0.1"))
    async with (
        doors(certificate.context) as browser,
        browser.connection() as (silent, _),
        browser.connection() as (reader, writer),
    ):
        writer.write(browser.request("/"))
        assert await is_ended(reader)
        browser.tls = ssl.create_default_context(cafile=authority.file)
        assert (await browser.ask("/")).text == "hello"
        assert not silent.at_eof()
