"""One connection or serial line, on the transport layer of pymodbus 3.16.

The library opens connections and lines; what goes out and what counts as an answer is decided here
and in ``frames.py``, because the library accepts replies of the wrong function, length or
transaction, and waits out the timeout when a connection ends. This is the only module that touches
its inner parts (a test pins the version).

``Connection.send`` is the one way bytes leave this program towards a panel, and it lets nothing
pass but requests with function codes 1 to 4.
"""

from __future__ import annotations

import asyncio
import errno
import functools
import logging
import os
import termios
from typing import Protocol

from pymodbus.transport import CommParams, CommType, ModbusProtocol
from pymodbus.transport.serialtransport import SerialTransport

from collector.core.scans import Read
from collector.errors import Bug
from collector.links import frames
from collector.links.faults import NoConnection, ReadFault
from collector.links.line_timer import LineTimer
from collector.links.security import maybe_tls_fault, tls_context
from collector.plant.model import Link, RtuLink, RtuOverTcpLink, TlsLink

PYMODBUS_SERIES = "3.16"
CONNECT_TIMEOUT_S = 1.5  # one repetition of a lost first packet, which comes after 1 s (RFC 6298)
TLS_CONNECT_TIMEOUT_S = 4.0  # small controllers take seconds over a handshake; common practice

# The library logs what this module already tells as a fault.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)


class Reader(Protocol):
    """What ``frames.py`` offers for either framing; described there."""

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
        rtu = isinstance(link, RtuLink | RtuOverTcpLink)
        self._function_at, self._whole = (1, 8) if rtu else (7, 12)
        self._waiting: asyncio.Future[bytes | ReadFault] | None = None
        self._timer: LineTimer | None = None

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
        if len(data) != self._whole or data[self._function_at] not in frames.READ_FUNCTIONS:
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

    async def pause(self, seconds: float) -> None:
        """Keep a serial line silent for so long, and hardly longer."""
        if self._timer is None:
            self._timer = LineTimer(self.loop)
        await self._timer.wait(seconds)

    def shut(self) -> None:
        """End it at once, without waiting for the other side."""
        self.up = False
        self.is_closing = True
        if self._timer is not None:
            self._timer.close()
            self._timer = None
        if self.transport is not None:
            self.transport.abort()  # type: ignore[attr-defined]
            self.transport = None  # type: ignore[assignment]  # as the library itself does

    # --- called by asyncio and by the library ---------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The transport is there (a serial line says so one turn of the loop later)."""
        if not self.is_closing:
            self.transport = transport

    def data_received(self, data: bytes) -> None:
        """Bytes have come; those of a connection already given up mean nothing."""
        if not self.up:
            return
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
    """What kept a connection from opening, in a few words."""
    number = getattr(error, "errno", None)
    if number in (errno.EAGAIN, errno.EBUSY):
        return "another program uses it"
    if number == errno.EACCES:
        return "no permission (a serial device wants the group dialout)"
    if isinstance(number, int) and number > 0:
        return os.strerror(number).lower()
    return getattr(error, "strerror", None) or str(error)
