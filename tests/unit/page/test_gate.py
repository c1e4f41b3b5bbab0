"""What a request meets before the page, and what every answer carries; without any socket.

Status codes and ``Allow``: RFC 9110, sections 10.2.1, 15.5.6, 15.5.14, 15.5.15, 15.5.20.
"""

from __future__ import annotations

from typing import Any

import pytest
import structlog
from starlette.responses import PlainTextResponse
from starlette.types import Message, Receive, Scope, Send

from collector.page.gate import HEADERS, Gate
from collector.page.hosts import Hosts

HOST = (b"host", b"127.0.0.1:8710")


async def hello(scope: Scope, receive: Receive, send: Send) -> None:
    """A page that is well."""
    await PlainTextResponse("hello")(scope, receive, send)


async def bug(scope: Scope, receive: Receive, send: Send) -> None:
    """A page with a bug."""
    raise ZeroDivisionError


async def late_bug(scope: Scope, receive: Receive, send: Send) -> None:
    """A page whose bug comes after its begin has gone out."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    raise ZeroDivisionError


async def through(
    app: Any = hello,
    method: str = "GET",
    path: str = "/",
    headers: tuple[tuple[bytes, bytes], ...] = (HOST,),
) -> tuple[int, dict[str, str]]:
    """Status and headers of an answer."""
    sent: list[Message] = []

    async def send(message: Message) -> None:
        sent.append(message)

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    scope = {
        "type": "http", "method": method, "path": path, "raw_path": path.encode(),
        "query_string": b"", "headers": list(headers), "client": ("127.0.0.1", 50_000),
    }  # fmt: skip
    await Gate(app, Hosts([]), None)(scope, receive, send)
    return sent[0]["status"], {k.decode(): v.decode() for k, v in sent[0]["headers"]}


@pytest.mark.parametrize("method", ["GET", "HEAD"])
async def test_looking_is_what_a_page_is_for(method: str) -> None:
    """With a host that is meant and no body."""
    assert (await through(method=method))[0] == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "get"])
async def test_nothing_else_is_done_here(method: str) -> None:
    """405, and it says what is allowed."""
    status, headers = await through(method=method)
    assert (status, headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ((), 421),
        (((b"host", b"evil.example.com"),), 421),
        ((HOST, HOST), 421),
        ((HOST, (b"content-length", b"0")), 200),
        ((HOST, (b"content-length", b"5")), 413),
        ((HOST, (b"transfer-encoding", b"chunked")), 413),
    ],
)
async def test_requests_that_are_not_meant_are_refused(
    headers: tuple[tuple[bytes, bytes], ...], status: int
) -> None:
    """No host, another's, two; a body where there is none."""
    assert (await through(headers=headers))[0] == status


async def test_an_endless_address_is_refused() -> None:
    """Nothing here needs two thousand characters."""
    assert (await through(path="/" + "x" * 3_000))[0] == 414


@pytest.mark.parametrize(
    ("app", "path", "status"), [(hello, "/", 200), (hello, "/" + "x" * 3_000, 414), (bug, "/", 500)]
)
async def test_every_answer_lets_a_browser_do_nothing_more_than_show(
    app: Any, path: str, status: int
) -> None:
    """Refusals and failures too."""
    with structlog.testing.capture_logs():
        got, headers = await through(app, path=path)
    assert got == status
    assert HEADERS.items() <= headers.items()
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "unsafe" not in headers["content-security-policy"]


async def test_a_bug_behind_the_gate_is_logged_with_its_place_and_goes_no_further() -> None:
    """The asker gets 500 without details; the log has the traceback."""
    with structlog.testing.capture_logs() as log:
        assert (await through(bug))[0] == 500
    assert (log[0]["event"], log[0]["exc_info"]) == ("a page could not be made", True)


async def test_half_an_answer_is_not_made_whole() -> None:
    """The server ends the connection, so that nobody takes the half for all."""
    with structlog.testing.capture_logs() as log, pytest.raises(ZeroDivisionError):
        await through(late_bug)
    assert len(log) == 1
