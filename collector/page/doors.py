"""Listens for the page: an own accepting loop, and uvicorn behind it for HTTP.

uvicorn by itself waits for ever for a request that never ends, opens as many connections as come,
takes over signals, and ends the process where it cannot listen. So here connections are accepted
one by one and bounded, TLS included; a sweep once a second ends those that do not get on; signals
stay the daemon's.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import Iterator
from typing import Any

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from collector.clock import MICROSECONDS, Clock
from collector.page.lockout import LOOPBACK, origin_of

MOST_CONNECTIONS = 96
KEPT_FOR_OWN = 16
"""Of these, for the machine itself, so that strangers cannot keep its owner out."""
LARGEST_HEAD_BYTES = 16_384
HANDSHAKE_WITHIN_S = 5.0
REQUEST_WITHIN_US = 10 * MICROSECONDS
ANSWER_WITHIN_US = 60 * MICROSECONDS
TAKEN_WITHIN_US = 20 * MICROSECONDS
SWEEP_US = MICROSECONDS
KEEP_ALIVE_S = 5
END_WITHIN_S = 0.5
BACKLOG = 32
STREAMS = frozenset({"/live"})


class _Server(uvicorn.Server):
    """The server without its own handling of signals."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave them to the daemon."""
        yield


class Doors:
    """Serves an app on a listening socket.

    Args:
        app: what answers.
        listening: bound, not yet listening.
        tls: how connections are secured, None for not at all.
        clock: plant time.
    """

    def __init__(
        self, app: ASGIApp, listening: socket.socket, tls: ssl.SSLContext | None, clock: Clock
    ) -> None:
        self._socket = listening
        self._tls = tls
        self._clock = clock
        # What is worth a line the gate logs; a stranger's nonsense is answered with 400.
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
        self._config = uvicorn.Config(
            app, http=H11Protocol, ws="none", lifespan="off", loop="none", log_config=None,
            access_log=False, server_header=False, proxy_headers=False,
            timeout_keep_alive=KEEP_ALIVE_S, timeout_graceful_shutdown=0,
            h11_max_incomplete_event_size=LARGEST_HEAD_BYTES,
        )  # fmt: skip
        self._config.load()
        self._server = _Server(self._config)
        self._welcoming: set[asyncio.Task[None]] = set()
        self._seen: dict[Any, tuple[object, int]] = {}

    async def serve(self) -> None:
        """Serve until cancelled; then end all connections."""
        self._socket.setblocking(False)
        self._socket.listen(BACKLOG)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._server.serve(sockets=[]))
                group.create_task(self._accept())
                group.create_task(self._keep_sweeping())
        finally:
            self._socket.close()
            for task in self._welcoming:
                task.cancel()
            for connection in list(self._server.server_state.connections):
                assert isinstance(connection, H11Protocol)
                connection.transport.abort()
            if under_way := set(self._server.server_state.tasks):
                await asyncio.wait(under_way, timeout=END_WITHIN_S)
                for task in under_way:
                    task.cancel()

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                connection, address = await loop.sock_accept(self._socket)
            except OSError:  # gone before it was here, or no descriptor is free
                await self._clock.sleep_until(self._clock.now_us() + SWEEP_US)
                continue
            open_now = len(self._welcoming) + len(self._server.server_state.connections)
            own = origin_of(str(address[0])) == LOOPBACK
            if open_now >= MOST_CONNECTIONS - (0 if own else KEPT_FOR_OWN):
                connection.close()
                continue
            task = asyncio.create_task(self._welcome(connection))
            self._welcoming.add(task)
            task.add_done_callback(self._welcoming.discard)

    async def _welcome(self, connection: socket.socket) -> None:
        """Hand a connection over, after its TLS handshake."""
        loop = asyncio.get_running_loop()
        handed_over = False
        try:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            await loop.connect_accepted_socket(
                lambda: H11Protocol(self._config, self._server.server_state, {}),
                connection,
                ssl=self._tls,
                ssl_handshake_timeout=None if self._tls is None else HANDSHAKE_WITHIN_S,
            )
            handed_over = True
        except OSError:  # among them ssl.SSLError and ConnectionError: not one of ours
            pass
        finally:
            if not handed_over:
                connection.close()

    async def _keep_sweeping(self) -> None:
        while True:
            now_us = self._clock.now_us()
            await self._clock.sleep_until(now_us + SWEEP_US)
            self._sweep(self._clock.now_us())

    def _sweep(self, now_us: int) -> None:
        """End connections that stay as they are for longer than that may take."""
        before, self._seen = self._seen, {}
        for connection in list(self._server.server_state.connections):
            assert isinstance(connection, H11Protocol)
            state, within_us = _state(connection)
            kept = before.get(connection)
            since_us = kept[1] if kept is not None and kept[0] == state else now_us
            if within_us is not None and now_us - since_us > within_us:
                connection.transport.abort()
            else:
                self._seen[connection] = (state, since_us)


def _state(connection: H11Protocol) -> tuple[object, int | None]:
    """What a connection is at, and how long that may take; None for any time."""
    cycle = connection.cycle
    if connection.flow.write_paused:
        # Whoever takes nothing has the same amount waiting for him.
        waiting = connection.transport.get_write_buffer_size()
        return ("taking", id(cycle), waiting), TAKEN_WITHIN_US
    if cycle is None or cycle.response_complete:
        return ("asking", id(cycle)), REQUEST_WITHIN_US
    stream = connection.scope["path"] in STREAMS
    return ("waiting", id(cycle)), None if stream else ANSWER_WITHIN_US


def bound(host: str, port: int) -> socket.socket:
    """A socket bound to an address.

    Raises:
        OSError: the address cannot be had.
    """
    family, _, _, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
    except OSError:
        made.close()
        raise
    return made
