"""The routes of the page: each makes an answer and knows nothing of who asks."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib import resources
from typing import Any, Protocol

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route, Router
from starlette.types import Receive, Scope, Send

from collector.page.closer_process import Answer
from collector.page.live import Hub
from collector.page.tally import CONTENT_TYPE

KINDS = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
"""A picture brings its own style and may do nothing else."""
NOTHING_YET = "Nothing has been watched yet; load this again in some seconds."


class Contents(Protocol):
    """What the routes show."""

    @property
    def hub(self) -> Hub:
        """Who looks on."""
        ...

    async def whole(self) -> bytes | None:
        """The health page; None where nothing was ever watched."""
        ...

    async def metrics(self) -> bytes:
        """The metrics as OpenMetrics text."""
        ...

    def vitals(self) -> tuple[bool, Mapping[str, Any]]:
        """Whether the daemon is well, and how."""
        ...

    async def closer(self, request: Mapping[str, Any]) -> Answer:
        """A page or chart that looks closer."""
        ...


class _Stream(StreamingResponse):
    """A listener's stream; his place is free again when it ends, however it ends."""

    def __init__(self, hub: Hub) -> None:
        super().__init__(hub.messages(), media_type="text/event-stream")
        self._hub = hub

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._hub.listeners += 1
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._hub.listeners -= 1


class Routes:
    """Answers by path.

    Args:
        contents: what there is to show.
    """

    def __init__(self, contents: Contents) -> None:
        self._contents = contents
        self._static = dict(_static_files())

    def app(self) -> Router:
        """The application, to stand behind a gate, which answers for its bugs."""
        return Router(
            routes=[
                Route("/", self._plant_now),
                Route("/live", self._live),
                Route("/plant", self._closer),
                Route("/equipment/{name}", self._closer),
                Route("/chart/{name}/{key}.svg", self._chart),
                Route("/metrics", self._metrics),
                Route("/healthz", self._healthz),
                Route("/static/{file}", self._static_file),
                Route("/favicon.ico", _no_icon),
            ],
            redirect_slashes=False,
            default=_not_found,
        )

    async def _plant_now(self, _: Request) -> Response:
        page = await self._contents.whole()
        if page is None:
            return _plain(503, NOTHING_YET, {"retry-after": "5"})
        return Response(page, media_type="text/html")

    async def _live(self, request: Request) -> Response:
        hub = self._contents.hub
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        if hub.full:
            return _plain(503, "Too many look on already.", {"retry-after": "30"})
        return _Stream(hub)

    async def _closer(self, request: Request) -> Response:
        wanted = {"what": "page", "name": request.path_params.get("name"), **_period(request)}
        return _of(await self._contents.closer(wanted))

    async def _chart(self, request: Request) -> Response:
        made = await self._contents.closer(
            {"what": "chart", **request.path_params, **_period(request)}
        )
        response = _of(made)
        response.headers["content-security-policy"] = CHART_POLICY
        return response

    async def _metrics(self, _: Request) -> Response:
        return Response(await self._contents.metrics(), headers={"content-type": CONTENT_TYPE})

    async def _healthz(self, _: Request) -> Response:
        well, told = self._contents.vitals()
        return JSONResponse(told, 200 if well else 503)

    async def _static_file(self, request: Request) -> Response:
        found = self._static.get(request.path_params["file"])
        if found is None:
            return _plain(404, "There is no such file.")
        kind, content, tag = found
        headers = {"etag": tag, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(content, media_type=kind, headers=headers)


def _static_files() -> list[tuple[str, tuple[str, bytes, str]]]:
    """Of each file its media type, content and tag."""
    found = []
    for file in resources.files("collector.page").joinpath("static").iterdir():
        kind = KINDS.get(file.name.rpartition(".")[2])
        if kind is not None:
            content = file.read_bytes()
            tag = hashlib.sha256(content).hexdigest()[:32]
            found.append((file.name, (kind, content, f'"{tag}"')))
    return found


def _period(request: Request) -> dict[str, str]:
    return {key: request.query_params.get(key, "") for key in ("from", "to")}


def _of(answer: Answer) -> Response:
    return Response(answer.text, answer.status, media_type=answer.kind)


def _plain(status: int, sentence: str, headers: Mapping[str, str] | None = None) -> Response:
    return PlainTextResponse(sentence + "\n", status, headers)


async def _no_icon(_: Request) -> Response:
    """Browsers ask without being told to; there is none, which is no error."""
    return Response(status_code=204, headers={"cache-control": "max-age=86400"})


async def _not_found(scope: Scope, receive: Receive, send: Send) -> None:
    answer = _plain(404, "There is no such page; the plant is at '/'.")
    await answer(scope, receive, send)
