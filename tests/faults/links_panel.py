"""A panel that answers as badly as a test asks it to, over TCP, RTU over TCP, or a line.

It encodes frames with code of its own, so that a mistake of ours cannot cancel out. Every reply it
makes up is different, because the number of the request goes into the data: a value that belongs to
another request shows.
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import pty
import tty
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Literal

from collector.links.contract import Link
from collector.links.modbus import open_link
from collector.plant.model import RtuLink, RtuOverTcpLink, TcpLink

Kind = Literal["tcp", "rtu-over-tcp", "rtu"]
KINDS: tuple[Kind, ...] = ("tcp", "rtu-over-tcp", "rtu")
Close = Literal["close"]
CLOSE: Close = "close"
Action = bytes | float | Close
"""Bytes to send, seconds to wait, or the end of the connection."""


@dataclass(frozen=True)
class Request:
    """A request as it came, and how to answer it."""

    kind: Kind
    frame: bytes
    number: int

    @property
    def transaction(self) -> int:
        """Its number in the header; 0 on a line."""
        return int.from_bytes(self.frame[:2], "big") if self.kind == "tcp" else 0

    @property
    def unit(self) -> int:
        """Unit identifier."""
        return self.frame[6 if self.kind == "tcp" else 0]

    @property
    def pdu(self) -> bytes:
        """Function code, start and count."""
        return self.frame[7:] if self.kind == "tcp" else self.frame[1:-2]

    @property
    def truth(self) -> bytes:
        """The data that answers this request and no other."""
        count = int.from_bytes(self.pdu[3:5], "big")
        length = (count + 7) // 8 if self.pdu[0] <= 2 else 2 * count
        seed = f"{self.number} {self.pdu.hex()}".encode()
        return hashlib.shake_128(seed).digest(length)

    @property
    def right_pdu(self) -> bytes:
        """The reply without its framing."""
        return bytes([self.pdu[0], len(self.truth)]) + self.truth

    def framed(
        self, pdu: bytes, *, unit: int | None = None, transaction: int | None = None
    ) -> bytes:
        """A reply frame, right unless told otherwise."""
        address = bytes([self.unit if unit is None else unit])
        if self.kind == "tcp":
            number = self.transaction if transaction is None else transaction
            head = number.to_bytes(2, "big") + b"\0\0" + (len(pdu) + 1).to_bytes(2, "big")
            return head + address + pdu
        return address + pdu + crc(address + pdu)


def crc(frame: bytes) -> bytes:
    """Check bytes by the shift register of Modbus over Serial Line V1.02, appendix B."""
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            carry, register = register & 1, register >> 1
            if carry:
                register ^= 0xA001
    return register.to_bytes(2, "little")


Behaviour = Callable[[Request], Iterable[Action]]


def right(request: Request) -> Iterable[Action]:
    """Answer as the standard says."""
    return [request.framed(request.right_pdu)]


class BadPanel:
    """The panel; ``behaviour`` may be exchanged at any time."""

    def __init__(self, kind: Kind, behaviour: Behaviour = right) -> None:
        self.kind = kind
        self.behaviour = behaviour
        self.requests: list[Request] = []
        self.asked = asyncio.Event()
        self.arrived_s: list[float] = []
        self.connections = 0
        self.close: Callable[[], None] = lambda: None
        self.say: Callable[[bytes], None] = lambda data: None

    def answers_last_of(self, start: int, payload: bytes) -> bool:
        """Whether a payload is the truth for the last request at an address."""
        asked = [r for r in self.requests if int.from_bytes(r.pdu[1:3], "big") == start]
        return payload == asked[-1].truth

    async def take(self, frame: bytes) -> None:
        """Take a request and do as scripted."""
        request = Request(self.kind, frame, len(self.requests))
        self.requests.append(request)
        self.asked.set()
        self.arrived_s.append(asyncio.get_running_loop().time())
        for action in self.behaviour(request):
            if isinstance(action, bytes):
                self.say(action)
                await asyncio.sleep(0.002)  # so that pieces arrive as pieces
            elif isinstance(action, float):
                await asyncio.sleep(action)
            else:
                self.close()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""
        self.connections += 1
        self.say = lambda data: None if writer.is_closing() else writer.write(data)
        self.close = writer.close
        try:
            while True:
                await self.take(await reader.readexactly(12 if self.kind == "tcp" else 8))
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()


@asynccontextmanager
async def bad_panel(
    kind: Kind, behaviour: Behaviour = right, port: int = 0
) -> AsyncIterator[tuple[BadPanel, Link]]:
    """A panel, and our link to it; both are closed at the end."""
    panel = BadPanel(kind, behaviour)
    if kind == "rtu":
        async with on_a_line(panel) as device:
            link = open_link(RtuLink(kind="rtu", device=device, parity="none"))
            try:
                yield panel, link
            finally:
                await link.close()
        return
    async with over_tcp(panel, port) as port:
        model = RtuOverTcpLink if kind == "rtu-over-tcp" else TcpLink
        link = open_link(model(kind=kind, host="127.0.0.1", port=port))  # type: ignore[arg-type]
        try:
            yield panel, link
        finally:
            await link.close()


@asynccontextmanager
async def over_tcp(panel: BadPanel, port: int = 0) -> AsyncIterator[int]:
    """Let a panel listen; yields its port."""
    tasks: set[asyncio.Task[None]] = set()

    def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.get_running_loop().create_task(panel.serve(reader, writer))
        tasks.add(task)
        task.add_done_callback(tasks.discard)

    server = await asyncio.start_server(connected, "127.0.0.1", port)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.wait_closed()


@asynccontextmanager
async def on_a_line(panel: BadPanel) -> AsyncIterator[str]:
    """Put a panel on the far end of a pseudo terminal; yields the near end's name."""
    far, near = pty.openpty()
    tty.setraw(near)
    name = os.ttyname(near)
    os.close(near)
    os.set_blocking(far, False)
    loop = asyncio.get_running_loop()
    waiting: asyncio.Queue[bytes] = asyncio.Queue()
    pending = bytearray()

    def readable() -> None:
        try:
            pending.extend(os.read(far, 1024))
        except OSError:
            return  # nobody has the near end open
        while len(pending) >= 8:
            waiting.put_nowait(bytes(pending[:8]))
            del pending[:8]

    async def serve() -> None:
        while True:
            await panel.take(await waiting.get())

    def say(data: bytes) -> None:
        os.write(far, data)

    panel.say = say
    loop.add_reader(far, readable)
    task = loop.create_task(serve())
    try:
        yield name
    finally:
        loop.remove_reader(far)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        os.close(far)
