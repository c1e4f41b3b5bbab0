"""Serves a simulated plant's panels over Modbus TCP in real time.

Each panel has a register server (pymodbus, on a private loopback port) that looks every request up
in the panel's image, and in front of it a ``Wire`` that carries the faults of the link. Writes are
refused: nothing that reads a panel has any business there.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Literal, cast

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from simulator.clock import monotonic_us
from simulator.image import COIL, DISCRETE_INPUT, HOLDING_REGISTER, INPUT_REGISTER, RegisterImage
from simulator.panel import Panel
from simulator.plant import OsierBend
from simulator.schedule import SECOND_US
from simulator.wire import Wire

LONGEST_NAP_S = 0.25


@dataclass(slots=True)
class Running:
    """A plant being served.

    Attributes:
        ports: listening port by panel name.
        speed: simulated seconds a second.
    """

    plant: OsierBend
    ports: dict[str, int]
    speed: float


def device_of(image: RegisterImage) -> SimDevice:
    """A pymodbus device that answers from a register image."""

    async def look_up(
        function: int,
        first: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if values is not None:
            return ExcCodes.ILLEGAL_FUNCTION
        if function <= DISCRETE_INPUT:
            # pymodbus keeps bits in registers and here counts in those.
            address = address // 16 * 16
            answer = image.read(function, address, 16 * count)
        else:
            answer = image.read(function, address, count)
        if not isinstance(answer, bytes):
            return ExcCodes(int(answer))
        order: Literal["little", "big"] = "little" if function <= DISCRETE_INPUT else "big"
        place = (address // 16 if function <= DISCRETE_INPUT else address) - first
        for k in range(count):
            registers[place + k] = int.from_bytes(answer[2 * k : 2 * k + 2], order)
        return None

    def bits(function: int) -> list[SimData]:
        return [
            SimData(0, values=[False] * max(16, image.end_of(function)), datatype=DataType.BITS)
        ]

    def words(function: int) -> list[SimData]:
        return [
            SimData(0, count=max(1, image.end_of(function)), values=0, datatype=DataType.REGISTERS)
        ]

    return SimDevice(
        image.map.unit_identifier,
        simdata=(bits(COIL), bits(DISCRETE_INPUT), words(HOLDING_REGISTER), words(INPUT_REGISTER)),
        action=look_up,
    )


@asynccontextmanager
async def serve(
    plant: OsierBend,
    ports: Mapping[str, int],
    *,
    host: str = "127.0.0.1",
    speed: float = 1.0,
) -> AsyncIterator[Running]:
    """Serve a plant while the body runs; its time passes with the machine's monotonic clock.

    Args:
        plant: goes on from the instant it stands at.
        ports: by panel name; 0 takes a free port, panels not named are not served.
        host: address to listen on.
        speed: simulated seconds a second; 0 leaves the plant standing, for the caller to move.

    Yields:
        What is running, with the ports in use.

    Raises:
        OSError: a port is taken.
    """
    servers: list[ModbusTcpServer] = []
    wires: list[Wire] = []
    clockwork: asyncio.Task[None] | None = None
    try:
        for name, port in ports.items():
            panel = plant.panels[name]
            server = await _register_server(panel)
            servers.append(server)
            # pymodbus keeps the listening asyncio server there and types it too loosely.
            listener = cast(asyncio.Server, server.transport)
            wire = Wire(panel, listener.sockets[0].getsockname()[1])
            wires.append(wire)
            await wire.open(host, port)
        in_use = {wire.panel.name: wire.port for wire in wires}
        clockwork = asyncio.create_task(_run(plant, wires, speed))
        yield Running(plant, in_use, speed)
    finally:
        if clockwork is not None:
            clockwork.cancel()
            await asyncio.gather(clockwork, return_exceptions=True)
        for wire in wires:
            await wire.close()
        for server in servers:
            await server.shutdown()  # type: ignore[no-untyped-call]


async def _register_server(panel: Panel) -> ModbusTcpServer:
    server = ModbusTcpServer(device_of(panel.image), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    return server


async def _run(plant: OsierBend, wires: list[Wire], speed: float) -> None:
    """Move the plant along with the clock and let the wires follow."""
    start_us, began_us = plant.now_us, monotonic_us()
    while True:
        if speed > 0.0:
            now_us = start_us + int((monotonic_us() - began_us) * speed)
            plant.advance_to(now_us)
            wait_s = (plant.next_change_us() - now_us) / SECOND_US / speed
        else:
            wait_s = LONGEST_NAP_S / 10
        for wire in wires:
            wire.follow_panel()
        await asyncio.sleep(min(max(wait_s, 0.001), LONGEST_NAP_S))
