"""The way between a reader and a simulated panel, on which things go wrong.

The register server behind it (pymodbus) answers as a sound panel does; it cannot stay silent,
answer late or damage a reply. So each connection passes through here: whole requests go on to the
server one at a time, replies come back as the panel's faults have them:

* no way there (dead link, panel without power, tank away): open connections are cut and new ones
  closed as soon as they are made, as a radio does whose far end is gone;
* silent: requests vanish;
* slow: the reply is held back;
* garbled: the reply is damaged in one of several ways, in turn.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable
from contextlib import suppress

from simulator.panel import Panel

HEADER_BYTES = 6
LONGEST_FRAME = 260 - HEADER_BYTES
"""MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 4.1: 260 bytes at most."""

Damage = Callable[[bytes], bytes]

DAMAGES: tuple[Damage, ...] = (
    lambda reply: reply[:-3],  # cut short
    lambda reply: reply[:7] + bytes([reply[7] ^ 0x55]) + reply[8:],  # another function code
    lambda reply: reply[:2] + b"\x13\x37" + reply[4:],  # another protocol identifier
    lambda reply: reply[:6] + bytes([reply[6] ^ 0xFF]) + reply[7:],  # another unit
    lambda reply: bytes([reply[0] ^ 0xFF]) + reply[1:],  # another transaction
    lambda reply: reply[:8] + bytes([reply[8] ^ 0x7F]) + reply[9:],  # another byte count
    lambda reply: bytes(byte ^ 0xA5 for byte in reply),  # noise
)
"""What a bad line does to a reply; a reader that checks frames takes none of them for good."""


class Wire:
    """One listening port in front of one panel's register server.

    Args:
        panel: whose faults it carries.
        server_port: where the panel's register server listens, on loopback.
    """

    def __init__(self, panel: Panel, server_port: int) -> None:
        self.panel = panel
        self.port = 0
        self._server_port = server_port
        self._listener: asyncio.Server | None = None
        self._readers: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._damage = 0

    async def open(self, host: str, port: int) -> None:
        """Listen; with ``port`` 0 on a free one, which ``port`` then names."""
        self._listener = await asyncio.start_server(self._accept, host, port)
        self.port = int(self._listener.sockets[0].getsockname()[1])

    async def close(self) -> None:
        """Stop listening and cut all connections."""
        if self._listener is not None:
            self._listener.close()
        tasks = list(self._readers)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if self._listener is not None:
            await self._listener.wait_closed()

    def follow_panel(self) -> None:
        """Cut what is connected if the panel can no longer be reached."""
        if not self.panel.connected():
            for writer in self._readers.values():
                writer.close()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None or not self.panel.connected():
            writer.close()
            return
        self._readers[task] = writer
        try:
            await self._carry(reader, writer)
        except asyncio.CancelledError:
            pass  # the wire is being closed; a task of start_server must not end in an error
        except (OSError, asyncio.IncompleteReadError):
            pass  # the reader has gone
        finally:
            del self._readers[task]
            writer.close()
            with suppress(OSError, asyncio.CancelledError):
                await writer.wait_closed()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from_server, to_server = await asyncio.open_connection("127.0.0.1", self._server_port)
        try:
            while True:
                request = await _frame(reader)
                if request is None or not self.panel.connected():
                    return
                if self.panel.silent:
                    continue
                to_server.write(request)
                reply = await _frame(from_server)
                if reply is None:
                    return
                if self.panel.reply_delay_s > 0.0:
                    await asyncio.sleep(self.panel.reply_delay_s)
                if not self.panel.connected():
                    return
                if not self.panel.reachable():
                    continue
                writer.write(self._as_it_arrives(reply))
                await writer.drain()
        finally:
            to_server.close()

    def _as_it_arrives(self, reply: bytes) -> bytes:
        if not self.panel.garbled:
            return reply
        self._damage = (self._damage + 1) % len(DAMAGES)
        return DAMAGES[self._damage](reply)


async def _frame(stream: asyncio.StreamReader) -> bytes | None:
    """The next whole Modbus TCP frame, or None where the length makes no sense."""
    header = await stream.readexactly(HEADER_BYTES)
    length = struct.unpack(">H", header[4:6])[0]
    if not 2 <= length <= LONGEST_FRAME:
        return None
    return header + await stream.readexactly(length)
