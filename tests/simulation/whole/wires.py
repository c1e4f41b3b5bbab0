"""The network to the panels: bytes of Modbus frames, and what becomes of them on the way.

Panels answer from the register images of the simulated plant with frames made here, by the Modbus
Application Protocol V1.1b3 and the Modbus over Serial Line Specification V1.02 (section 2.5.1:
unit, PDU, CRC); nothing of the collector's own framing is used. A damaged reply on Modbus TCP is
damaged where a receiver can see it: in header, function, length, or by being cut short. A bit
flipped in the data of a TCP frame that nobody protects could be told from a true one by no reader.
"""

from __future__ import annotations

import asyncio
import errno
import struct
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

from simulator.panel import Panel
from simulator.plant import OsierBend
from simulator.wire import DAMAGES
from tests.simulation.whole.virtual_loop import Agenda, VirtualLoop

BUSY = 0x06  # Modbus Application Protocol V1.1b3, section 7: server device busy
RTU_REQUEST = 8


@dataclass(slots=True)
class Way:
    """How the way to one panel is.

    Args:
        refuses: connections are refused; ``swallows``: they are never answered.
        delay_s: least and most time there and back.
        lost: share of requests that vanish, both ways.
        damaged: share of replies that arrive damaged.
        late: share of replies that come later than anybody waits.
        doubled: share of replies that come twice.
        cut: share of requests upon which the connection breaks.
        busy: share answered by the exception "busy".
        crumbled: share of replies that arrive in pieces.
    """

    refuses: bool = False
    swallows: bool = False
    delay_s: tuple[float, float] = (0.004, 0.02)
    lost: float = 0.0
    damaged: float = 0.0
    late: float = 0.0
    doubled: float = 0.0
    cut: float = 0.0
    busy: float = 0.0
    crumbled: float = 0.0


@dataclass
class Network:
    """All ways, and the connections that stand.

    Args:
        agenda: time.
        plant: whose panels answer.
        plant_us: instant of the plant at a true time.
        ports: panel by port.
        rtu: panels that talk RTU over their connection.
        rng: decides.
        note: told of everything, for the trace.
    """

    agenda: Agenda
    plant: OsierBend
    plant_us: Callable[[], int]
    ports: dict[int, str]
    rtu: frozenset[str]
    rng: Random
    note: Callable[..., None]
    ways: dict[str, Way] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    functions: Counter[int] = field(default_factory=Counter)
    open: list[Socket] = field(default_factory=list)

    async def connect(
        self, loop: VirtualLoop, protocol_factory: Callable[[], Any], host: str, port: int
    ) -> tuple[Any, Any]:
        """What the event loop's ``create_connection`` does."""
        name = self.ports[port]
        way = self.ways[name]
        self.counts["connects"] += 1
        if way.swallows:
            await asyncio.sleep(3600.0)
        await asyncio.sleep(self.rng.uniform(*way.delay_s))
        if way.refuses:
            raise ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused")
        protocol = protocol_factory()
        socket = Socket(self, self.plant.panels[name], loop, protocol)
        self.open.append(socket)
        protocol.connection_made(socket)
        self._advance()
        if not socket.panel.connected():
            self.agenda.after(self.rng.uniform(*way.delay_s), socket.break_off)
        return socket, protocol

    def cut_all(self, panel: str | None = None) -> None:
        """Every connection breaks, or those of one panel."""
        for socket in list(self.open):
            if panel is None or socket.panel.name == panel:
                socket.break_off()

    def follow(self) -> None:
        """Connections of panels that can no longer be reached break."""
        self._advance()
        for socket in list(self.open):
            if not socket.panel.connected():
                socket.break_off()

    def _advance(self) -> None:
        self.plant.advance_to(self.plant_us())

    def carry(self, socket: Socket, request: bytes) -> None:
        """A whole request has been sent."""
        way = self.ways[socket.panel.name]
        draw = self.rng.random
        self.counts["requests"] += 1
        there_s = self.rng.uniform(*way.delay_s) / 2
        if draw() < way.cut:
            self.counts["cut"] += 1
            self.agenda.after(there_s, socket.break_off)
        elif draw() < way.lost:
            self.counts["lost"] += 1
        else:
            # A panel takes one request after the other, and so do its replies come.
            begin_ns = max(self.agenda.now_ns + round(there_s * 1e9), socket.busy_until_ns)
            socket.busy_until_ns = begin_ns + 1_000_000
            self.agenda.at(begin_ns, lambda: self._answer(socket, request, way))

    def _answer(self, socket: Socket, request: bytes, way: Way) -> None:
        self._advance()
        panel, draw = socket.panel, self.rng.random
        if not panel.connected():
            socket.break_off()
            return
        if panel.silent or socket.closed:
            return
        rtu = panel.name in self.rtu
        reply = _reply(panel, request, rtu, busy=draw() < way.busy)
        self.functions[request[1 if rtu else 7]] += 1
        back_s = self.rng.uniform(*way.delay_s) / 2
        if draw() < way.late:
            self.counts["late"] += 1
            back_s += self.rng.uniform(0.5, 12.0)
        if panel.reply_delay_s > 0:
            back_s += panel.reply_delay_s
        if panel.garbled or draw() < way.damaged:
            self.counts["damaged"] += 1
            reply = self._damage(reply, rtu)
        socket.deliver(back_s, reply, in_pieces=draw() < way.crumbled)
        if draw() < way.doubled:
            self.counts["doubled"] += 1
            socket.deliver(back_s + self.rng.uniform(0.0, 0.8), reply)

    def _damage(self, reply: bytes, rtu: bool) -> bytes:
        if not rtu:
            return self.rng.choice(DAMAGES)(reply)
        place = self.rng.randrange(len(reply))
        flipped = reply[place] ^ (1 << self.rng.randrange(8))  # a CRC finds every single bit
        damaged = reply[:place] + bytes([flipped]) + reply[place + 1 :]
        return self.rng.choice([damaged, reply[:-2], reply[1:], b"\x00" + reply])


class Socket(asyncio.Transport):
    """One end of a connection, the collector's."""

    def __init__(self, network: Network, panel: Panel, loop: VirtualLoop, protocol: Any) -> None:
        super().__init__()
        self.panel = panel
        self.closed = False
        self.busy_until_ns = 0
        self._network = network
        self._loop = loop
        self._protocol = protocol
        self._sent = b""

    def write(self, data: Any) -> None:
        if self.closed or self._loop.ghost:
            return
        self._network.note("sent", self.panel.name, bytes(data))
        self._sent += bytes(data)
        rtu = self.panel.name in self._network.rtu
        while True:
            size = RTU_REQUEST if rtu else 6 + int.from_bytes(self._sent[4:6], "big")
            if len(self._sent) < max(size, 6):
                return
            request, self._sent = self._sent[:size], self._sent[size:]
            self._network.carry(self, request)

    def deliver(self, after_s: float, data: bytes, *, in_pieces: bool = False) -> None:
        """Have bytes arrive after a while."""
        pieces = [data]
        if in_pieces and len(data) > 2:
            place = self._network.rng.randrange(1, len(data))
            pieces = [data[:place], data[place:]]
        for place, piece in enumerate(pieces):
            self._network.agenda.after(after_s + 0.003 * place, lambda p=piece: self._arrive(p))  # type: ignore[misc]

    def _arrive(self, data: bytes) -> None:
        if not self.closed and not self._loop.ghost and not self._loop.is_closed():
            self._network.note("came", self.panel.name, data)
            self._loop.call_soon(self._take, data)

    def _take(self, data: bytes) -> None:
        if not self.closed:
            self._protocol.data_received(data)

    def break_off(self) -> None:
        """The other side has gone."""
        if self.closed:
            return
        self.abort()
        if not self._loop.is_closed() and not self._loop.ghost:
            self._loop.call_soon(self._protocol.connection_lost, ConnectionResetError("reset"))

    def abort(self) -> None:
        self.closed = True
        if self in self._network.open:
            self._network.open.remove(self)

    def close(self) -> None:
        self.abort()

    def is_closing(self) -> bool:
        return self.closed

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return default


def _reply(panel: Panel, request: bytes, rtu: bool, *, busy: bool) -> bytes:
    """What a sound panel answers; nothing to a frame for somebody else."""
    unit, function = (request[0], request[1]) if rtu else (request[6], request[7])
    start, count = struct.unpack(">HH", request[2:6] if rtu else request[8:12])
    answer = panel.image.read(function, start, count)
    if busy or not isinstance(answer, bytes):
        pdu = bytes([function | 0x80, BUSY if busy else int(answer)])
    else:
        pdu = bytes([function, len(answer)]) + answer
    body = bytes([unit]) + pdu
    if rtu:
        return body + crc16(body).to_bytes(2, "little")
    return request[:4] + len(body).to_bytes(2, "big") + body


def crc16(data: bytes) -> int:
    """The check of a serial frame (Modbus over Serial Line V1.02, section 6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc
