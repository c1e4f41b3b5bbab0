"""Links that read panels: Modbus TCP, TLS, RTU on a serial line and over TCP.

Rules:

1. A fault is told at once, never by waiting longer than needed.
2. After a timeout a TCP connection is kept, because transactions are numbered, until a second one
   follows without an answer in between: the panel may have restarted without closing it.
3. RTU framing has no numbers. Over TCP the connection is closed after a timeout or a malformed
   reply; a serial line is kept silent until the late reply can have passed; and ``owed.py`` sees to
   it that a still later one cannot be taken for the answer to another request.
"""

from __future__ import annotations

import asyncio

from collector.core.scans import Read
from collector.links import contract, frames
from collector.links.connection import Connection
from collector.links.faults import ExceptionReply, MalformedReply, NoReply, ReadFault
from collector.links.frames import MbapReader, RtuReader
from collector.links.owed import OwedReplies
from collector.plant.model import Link, RtuLink, RtuOverTcpLink, TcpLink, TlsLink

LINE_MARGIN_S = 0.05  # buffers of adapters and of the system; common practice, no source
NOISE_PATIENCE_S = 1.0  # how long a line may babble before a read is given up
MOST_READS_FIRST = 4


def open_link(link: Link) -> contract.Link:
    """The link a plant file describes. Nothing is opened before the first read.

    Args:
        link: one of the plant's links.
    """
    if isinstance(link, RtuLink | RtuOverTcpLink):
        return RtuFramedLink(link)
    return MbapLink(link)


class MbapLink:
    """Modbus TCP, plain or over TLS.

    Args:
        link: what to open.
    """

    def __init__(self, link: TcpLink | TlsLink) -> None:
        self._link = link
        self._reader = MbapReader()
        self._connection: Connection | None = None
        self._silent_before = False

    async def read(self, request: Read, timeout_s: float) -> bytes:
        """Send one read and return the payload of the checked reply.

        Args:
            request: what to read.
            timeout_s: longest time from the request to its whole reply.

        Raises:
            ReadFault: with a short reason.
        """
        connection = self._connection
        if connection is None or not connection.up or self._reader.broken:
            connection = await self._reconnect()
        try:
            payload = await connection.exchange(request, timeout_s)
        except NoReply:
            if self._silent_before:
                self._drop()
            else:
                self._silent_before = True
            raise
        except ReadFault:
            if self._reader.broken:
                self._drop()
            raise
        self._silent_before = False
        return payload

    async def close(self) -> None:
        """Give up the connection; the next read opens a new one."""
        self._drop()

    async def _reconnect(self) -> Connection:
        self._drop()
        self._reader.begin()
        connection = Connection(self._link, self._reader)
        await connection.open()
        self._connection = connection
        return connection

    def _drop(self) -> None:
        self._silent_before = False
        if self._connection is not None:
            self._connection.shut()
            self._connection = None


class RtuFramedLink:
    """Modbus RTU, on a serial line or over TCP.

    Args:
        link: what to open.
    """

    def __init__(self, link: RtuLink | RtuOverTcpLink) -> None:
        self._link = link
        self._connection: Connection | None = None
        self._owed = OwedReplies()
        self._silent_until_s = 0.0

    async def read(self, request: Read, timeout_s: float) -> bytes:
        """Send one read and return the payload of the checked reply.

        Where an earlier reply of the same shape may still come, a shorter read goes first.

        Args:
            request: what to read.
            timeout_s: longest time from the request to its whole reply; on a serial line what the
                characters themselves take comes on top.

        Raises:
            ReadFault: with a short reason.
        """
        for _ in range(MOST_READS_FIRST):
            now_s = asyncio.get_running_loop().time()
            first = self._owed.maybe_read_first(request, now_s)
            if first is None:
                return await self._transact(request, timeout_s)
            try:
                await self._transact(first, timeout_s)
            except ExceptionReply:
                continue
        raise NoReply("replies to earlier requests may still come")

    async def close(self) -> None:
        """Give up the line or the connection; the next read opens it again."""
        if self._connection is not None:
            self._connection.shut()
            self._connection = None

    async def _transact(self, request: Read, timeout_s: float) -> bytes:
        connection = self._connection
        if connection is None or not connection.up:
            await self.close()
            connection = Connection(self._link, RtuReader())
            await connection.open()
            self._connection = connection
        if isinstance(self._link, RtuLink):
            await self._wait_for_silence(connection)
            timeout_s += frames.wire_time_s(
                frames.REQUEST_LENGTH + frames.reply_length(request), self._link.baud
            )
        loop = connection.loop
        try:
            payload = await connection.exchange(request, timeout_s)
        except ExceptionReply:
            self._owed.answered(request, by_exception=True, now_s=loop.time())
            raise
        except (ReadFault, asyncio.CancelledError):
            self._owed.give_up(request, loop.time())
            await self._after_fault(connection, request)
            raise
        self._owed.answered(request, by_exception=False, now_s=loop.time())
        return payload

    async def _after_fault(self, connection: Connection, request: Read) -> None:
        if isinstance(self._link, RtuOverTcpLink) or not connection.up:
            await self.close()
            return
        self._silent_until_s = (
            connection.loop.time()
            + frames.wire_time_s(frames.reply_length(request), self._link.baud)
            + LINE_MARGIN_S
        )

    async def _wait_for_silence(self, connection: Connection) -> None:
        """Wait until the line has been silent for 3.5 characters, and the quiet time is over."""
        assert isinstance(self._link, RtuLink)
        silence_s = frames.silence_s(self._link.baud)
        loop = connection.loop
        patience_ends_s = max(loop.time(), self._silent_until_s) + NOISE_PATIENCE_S
        while True:
            silent_at_s = max(self._silent_until_s, connection.heard_at_s + silence_s)
            wait_s = silent_at_s - loop.time()
            if wait_s <= 0:
                return
            if silent_at_s > patience_ends_s:
                raise MalformedReply(f"something talks on {self._link.device} all the time")
            await connection.pause(wait_s)
