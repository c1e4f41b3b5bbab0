"""Only reads leave this program: a recorder stands between it and every panel.

The recorder takes requests apart by itself (Modbus Messaging on TCP/IP Implementation Guide V1.0b,
section 3.1.3) and lets everything through.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import struct
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path

from collector.plant_file import read_plant_file
from simulator.plant import OsierBend
from simulator.server import serve
from tests.faults.daemon_parts import SETTINGS, DaemonProcess
from tests.real_parts import until
from tests.unit.cli.typed import OSIER_BEND, PROGRAM, plain_environment

READS = {1, 2, 3, 4}


class Recorder:
    """Stands before a panel and notes the function code of every request."""

    def __init__(self, port: int, codes: Counter[int]) -> None:
        self._port = port
        self._codes = codes
        self._open: set[asyncio.StreamWriter] = set()

    async def close(self) -> None:
        """End all connections, so that none is left to the end of the process."""
        for writer in tuple(self._open):
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()

    async def meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Pass one connection on, both ways."""
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self._port)
        self._open |= {writer, there_writer}
        back = asyncio.create_task(self._pass_on(there_reader, writer))
        try:
            while True:
                head = await reader.readexactly(6)
                body = await reader.readexactly(struct.unpack(">H", head[4:])[0])
                self._codes[body[1]] += 1
                there_writer.write(head + body)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            back.cancel()
            there_writer.close()
            writer.close()
            await asyncio.gather(back, return_exceptions=True)

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(4096):
            writer.write(data)


@contextlib.asynccontextmanager
async def recorded(codes: Counter[int]) -> AsyncIterator[str]:
    """A plant file whose panels are reached through recorders only."""
    plant = OsierBend(1, 1_783_144_800_000_000)
    known = read_plant_file(OSIER_BEND).plant
    text = OSIER_BEND.read_text(encoding="utf-8")
    async with contextlib.AsyncExitStack() as stack:
        running = await stack.enter_async_context(serve(plant, dict.fromkeys(plant.panels, 0)))
        for name, port in running.ports.items():
            recorder = Recorder(port, codes)
            server = await asyncio.start_server(recorder.meet, "127.0.0.1", 0)
            await stack.enter_async_context(server)
            stack.push_async_callback(recorder.close)
            link = known.links[known.panels[name].link]
            mine = server.sockets[0].getsockname()[1]
            text = re.sub(rf"port: {getattr(link, 'port', 0)}\b", f"port: {mine}", text)
        yield text


async def test_daemon_and_loop_check_send_reads_alone(tmp_path: Path) -> None:
    """Over hundreds of requests with all four functions, nothing else ever left."""
    codes: Counter[int] = Counter()
    async with recorded(codes) as text:
        collector = DaemonProcess(tmp_path, 0, SETTINGS)
        collector.plant_file.write_text(text, encoding="utf-8")
        await collector.start()
        await until(lambda: sum(codes.values()) > 30, "thirty requests")
        collector.process.send_signal(1) if collector.process else None  # SIGHUP: read files again
        await until(lambda: sum(codes.values()) > 50, "more requests after a change of files")
        assert await collector.stop(10) == 0
        for words in (["check", "plant.yaml"], ["loopcheck", "--plant", "plant.yaml"]):
            process = await asyncio.create_subprocess_exec(
                *PROGRAM, *words, cwd=tmp_path, env=plain_environment(),
                stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
            )  # fmt: skip
            assert await asyncio.wait_for(process.wait(), 60) in (0, 1, 5)
    assert set(codes) <= READS
    assert len(codes) >= 3
