"""What every request passes before anything is made for it, and every answer before it leaves.

In: only ``GET`` and ``HEAD``, no body, a short target, a host that is meant, and the password where
there is one. Out: headers that let a browser do nothing but show what came from here. A bug behind
the gate becomes a line in the log and a 500; it goes no further.

Source: RFC 9110 (methods, status codes); W3C Content Security Policy Level 3; Fetch standard,
section 3.7 (Cross-Origin-Resource-Policy) and 3.6 (X-Content-Type-Options).
"""

from __future__ import annotations

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector.page.access import REALM, Access
from collector.page.hosts import Hosts

METHODS = ("GET", "HEAD")
LONGEST_TARGET_BYTES = 2_048

STRICT = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": STRICT,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}
"""An answer may say otherwise of itself; charts do, which bring their style with them."""

log = structlog.get_logger()


class Gate:
    """Stands before the page.

    Args:
        app: the page.
        hosts: by which names it may be called.
        access: the password, None where everybody may look.
    """

    def __init__(self, app: ASGIApp, hosts: Hosts, access: Access | None) -> None:
        self._app = app
        self._hosts = hosts
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        begun = False

        async def dressed(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            answer: ASGIApp = await self._refusal(scope) or self._app
            await answer(scope, receive, dressed)
        except Exception:
            log.exception("a page could not be made", path=scope["path"])
            if begun:  # half an answer has gone; the server ends the connection
                raise
            failed = PlainTextResponse(
                "This could not be made; the collector's log says why. It goes on watching.\n", 500
            )
            await failed(scope, receive, dressed)

    async def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if scope["method"] not in METHODS:
            return _plain(405, "This page is only looked at.", {"allow": ", ".join(METHODS)})
        if len(scope["raw_path"]) + len(scope["query_string"]) > LONGEST_TARGET_BYTES:
            return _plain(414, "That address is too long.", {"connection": "close"})
        if "transfer-encoding" in headers or headers.get("content-length", "0").strip("0"):
            return _plain(413, "A request here has no body.", {"connection": "close"})
        host = headers.getlist("host")
        if len(host) != 1 or not self._hosts.knows(host[0]):
            return _plain(
                421, "This page is not called by that name; 'names' in its settings lists them."
            )
        if self._access is None:
            return None
        client = scope["client"]
        refused = await self._access.refusal(
            client[0] if client else "", headers.get("authorization")
        )
        if refused is None:
            return None
        extra = {"www-authenticate": REALM} if refused.status == 401 else {}
        if refused.retry_after_s is not None:
            extra["retry-after"] = str(refused.retry_after_s)
        return _plain(refused.status, refused.sentence, extra)


def _plain(status: int, sentence: str, headers: dict[str, str] | None = None) -> Response:
    return PlainTextResponse(sentence + "\n", status, headers)
