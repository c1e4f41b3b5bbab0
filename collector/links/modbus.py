"""Links that read panels, on the transport layer of pymodbus (3.16): TCP, TLS, serial line.

The library opens connections and serial lines; what goes out and what counts as an answer is
decided here and in ``frames.py``, because the library accepts replies of the wrong function, length
or transaction, and waits out the timeout when a connection ends. This is the only module that
touches its inner parts (a test pins the version).

Rules:

1. ``Connection.send`` is the one way bytes leave this program towards a panel, and it lets nothing
   pass but requests with function codes 1 to 4.
2. A fault is told at once, never by waiting longer than needed.
3. After a timeout a TCP connection is kept, because transactions are numbered, until a second one
   follows without an answer in between: the panel may have restarted without closing it.
4. RTU framing has no numbers. Over TCP the connection is closed after a timeout or a malformed
   reply; a serial line is kept silent until the late reply can have passed; and ``owed.py`` sees to
   it that a still later one cannot be taken for the answer to another request.
"""

from __future__ import annotations

import asyncio
import functools
import logging
import ssl
import termios
from typing import Protocol

from pymodbus.transport import CommParams, CommType, ModbusProtocol
from pymodbus.transport.serialtransport import SerialTransport

from collector.errors import Bug
from collector.links import contract, frames
from collector.links.contract import Read
from collector.links.faults import (
    ExceptionReply,
    MalformedReply,
    NoConnection,
    NoReply,
    ReadFault,
)
from collector.links.frames import MbapReader, RtuReader
from collector.links.owed import OwedReplies
from collector.links.security import maybe_tls_fault, tls_context
from collector.plant.model import Link, RtuLink, RtuOverTcpLink, TcpLink, TlsLink

PYMODBUS_SERIES = "3.16"
CONNECT_TIMEOUT_S = 1.5  # one repetition of a lost first packet, which comes after 1 s (RFC 6298)
TLS_CONNECT_TIMEOUT_S = 4.0  # small controllers take seconds over a handshake; common practice
LINE_MARGIN_S = 0.05  # buffers of adapters and of the system; common practice, no source
NOISE_PATIENCE_S = 1.0  # how long a line may babble before a read is given up
MOST_READS_FIRST = 4

# The library logs what this module already tells as a fault.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)


def open_link(link: Link) -> contract.Link:
    """The link a plant file describes. Nothing is opened before the first read.

    Args:
        link: one of the plant's links.
    """
    if isinstance(link, RtuLink | RtuOverTcpLink):
        return RtuFramedLink(link)
    return MbapLink(link)


class Reader(Protocol):
    """What ``frames.py`` offers for either framing."""

    broken: bool

    def request(self, read: Read) -> bytes: ...
    def feed(self, data: bytes) -> frames.Outcome: ...
    def give_up(self) -> ReadFault: ...
    def lost(self) -> ReadFault: ...


class Connection(ModbusProtocol):
    """One connection to a host, or one serial line, from its opening to its end.

    Args:
        link: what to open.
        reader: decides what arrived.
    """

    def __init__(self, link: Link, reader: Reader) -> None:
        super().__init__(_parameters(link), is_server=False)
        self.reader = reader
        self.up = False
        self.heard_at_s = 0.0
        self._link = link
        self._function_at = 1 if isinstance(link, RtuLink | RtuOverTcpLink) else 7
        self._waiting: asyncio.Future[bytes | ReadFault] | None = None
        self._why_lost: ReadFault | None = None

    async def open(self) -> None:
        """Open it.

        Raises:
            NoConnection: it cannot be opened; the text says why.
        """
        link = self._link
        timeout_s = CONNECT_TIMEOUT_S
        try:
            if isinstance(link, RtuLink):
                self._open_line(link)
            else:
                if isinstance(link, TlsLink):
                    timeout_s = TLS_CONNECT_TIMEOUT_S
                    self._ask_for_tls(link)
                async with asyncio.timeout(timeout_s):
                    self.transport, _ = await self.call_create()
        except TimeoutError as error:
            raise NoConnection(
                f"no connection to {place(link)}: nothing answered within {timeout_s:g} s"
            ) from error
        except (OSError, ValueError, termios.error) as error:
            fault = maybe_tls_fault(link, error) if isinstance(link, TlsLink) else None
            fault = fault or NoConnection(f"no connection to {place(link)}: {_in_words(error)}")
            # Its traceback would keep a half-opened line open, and locked against the next try.
            raise fault from error.with_traceback(None)
        self.up = True

    def send(self, data: bytes, addr: tuple[str, int] | None = None) -> None:
        """Let a request out: the one place that does, and only reads pass.

        Raises:
            Bug: the frame is not a read request.
        """
        place_of_function = self._function_at
        whole = place_of_function + 7 if place_of_function == 1 else place_of_function + 5
        if len(data) != whole or data[place_of_function] not in frames.READ_FUNCTIONS:
            raise Bug(f"refused to send '{data[:16].hex(' ')}': it is no read request")
        self.transport.write(data)  # type: ignore[attr-defined]

    async def exchange(self, read: Read, timeout_s: float) -> bytes:
        """Ask, and wait for the answer.

        Raises:
            ReadFault: there is none.
            Bug: another request is under way.
        """
        if self._waiting is not None:
            raise Bug("two reads at once on one link")
        waiting = self._waiting = self.loop.create_future()
        timer = self.loop.call_later(timeout_s, self._give_up)
        try:
            self.send(self.reader.request(read))
            outcome = await waiting
        except BaseException:
            self.reader.give_up()
            raise
        finally:
            timer.cancel()
            self._waiting = None
        if isinstance(outcome, bytes):
            return outcome
        raise outcome

    def shut(self) -> None:
        """End it at once, without waiting for the other side."""
        self.up = False
        self.is_closing = True
        if self.transport is not None:
            self.transport.abort()  # type: ignore[attr-defined]
            self.transport = None  # type: ignore[assignment]  # as the library itself does

    # --- called by asyncio and by the library ---------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The transport is there (a serial line says so one turn of the loop later)."""
        if not self.is_closing:
            self.transport = transport

    def data_received(self, data: bytes) -> None:
        """Bytes have come."""
        self.heard_at_s = self.loop.time()
        outcome = self.reader.feed(data)
        if outcome is not None:
            self._settle(outcome)

    def callback_disconnected(self, exc: Exception | None) -> None:
        """The other side, or the line, has gone."""
        self.up = False
        fault = self.reader.lost()
        if isinstance(self._link, TlsLink):
            before_a_reply = ConnectionResetError() if self.heard_at_s == 0.0 else None
            fault = maybe_tls_fault(self._link, exc or before_a_reply) or fault
        self._settle(fault)

    def callback_connected(self) -> None:
        """Nothing to do; ``open`` knows."""

    def callback_new_connection(self) -> ModbusProtocol:
        """Only servers get new connections."""
        raise Bug("a client was asked to serve")

    def callback_data(self, data: bytes, addr: tuple[str, int] | None = None) -> int:
        """Unused: ``data_received`` takes the bytes before the library buffers them."""
        raise Bug("bytes took the library's way")

    def _give_up(self) -> None:
        self._settle(self.reader.give_up())

    def _settle(self, outcome: bytes | ReadFault) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(outcome)

    def _open_line(self, link: RtuLink) -> None:
        # Not through the library's coroutine: that leaves the line half set up for a while.
        parameters = self.comm_params
        self.transport = SerialTransport(
            self.loop, self, link.device, parameters.baudrate, parameters.bytesize,
            parameters.parity, parameters.stopbits, 0,
        )  # fmt: skip
        self.transport.setup()

    def _ask_for_tls(self, link: TlsLink) -> None:
        # The library has no way to give the name expected in the certificate.
        self.call_create = functools.partial(
            self.loop.create_connection,
            lambda: self,
            link.host,
            link.port,
            ssl=tls_context(link),
            server_hostname=link.server_name or link.host,
        )


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
            self._silent_before = not self._silent_before
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
            await asyncio.sleep(wait_s)


def place(link: Link) -> str:
    """Where a link leads, for people."""
    return link.device if isinstance(link, RtuLink) else f"{link.host}:{link.port}"


def _parameters(link: Link) -> CommParams:
    if isinstance(link, RtuLink):
        return CommParams(
            comm_name=link.device,
            comm_type=CommType.SERIAL,
            reconnect_delay=0,
            host=link.device,
            baudrate=link.baud,
            bytesize=8,
            parity={"even": "E", "odd": "O", "none": "N"}[link.parity],
            stopbits=link.stop_bits,
        )
    return CommParams(
        comm_name=place(link),
        comm_type=CommType.TCP,
        reconnect_delay=0,
        host=link.host,
        port=link.port,
    )


def _in_words(error: Exception) -> str:
    """The system's own words for an error, without its number and repetitions."""
    if isinstance(error, OSError) and error.strerror and not isinstance(error, ssl.SSLError):
        return error.strerror
    return str(error)
