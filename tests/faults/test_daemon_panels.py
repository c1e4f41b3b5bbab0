"""Panels that are away, go, come back, or are exchanged: told once each, and never a wrong value.

Frames are those of MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from tests.faults.daemon_parts import DaemonProcess, Meadow, daemon
from tests.real_parts import free_port, until

LINK = (RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED)


async def link_records(collector: DaemonProcess, count: int) -> list[Record]:
    """Wait for so many records about the link, and then some scans to see that no more come."""
    await until(lambda: len(collector.records(*LINK)) >= count, f"{count} records about the link")
    await asyncio.sleep(0.3)
    return collector.records(*LINK)


def words(records: list[Record]) -> list[str]:
    """What kind each is."""
    return [record.kind.word for record in records]


async def test_a_panel_that_is_away_at_the_start_goes_and_comes_back(tmp_path: Path) -> None:
    """One record each time it goes or comes, the time between unknown, and no value meanwhile."""
    meadow = Meadow()
    meadow.port = free_port()
    meadow.set("pump_1_run", made=True)
    async with daemon(tmp_path, meadow.port) as collector:
        await collector.start()
        assert words(await link_records(collector, 1)) == ["panel-lost"]
        own = collector.records(RecordKind.POINT)  # what the collector says of itself, at once
        assert {record.subject.partition(".")[0] for record in own} == {"collector"}
        async with meadow.served():
            assert words(await link_records(collector, 2)) == ["panel-lost", "panel-returned"]
            points = len(collector.records(RecordKind.POINT))
            assert points == len(own) + 4
        told = await link_records(collector, 3)
        assert words(told)[2:] == ["panel-lost"]
        assert told[2].reason == "no connection"
        meadow.set("pump_1_run", made=False)
        assert len(collector.records(RecordKind.POINT)) == points
        async with meadow.served():
            told = await link_records(collector, 4)
            assert words(told)[3:] == ["panel-returned"]
            await collector.until_records(
                lambda records: len(records) == points + 1, "the pump", RecordKind.POINT
            )
        assert await collector.stop() == ExitCode.DONE
        records = collector.records()
    first_lost, first_back, lost, back = told
    assert first_lost.reason == "no connection"
    assert first_lost.at_us < first_back.at_us <= lost.after_us < lost.at_us < back.at_us
    unknown = [r for r in records if r.subject == "pump_1.run_hours_unknown"][-1]
    gap_s = (back.at_us - lost.after_us) / 1e6
    before_s = (first_back.at_us - records[0].at_us) / 1e6
    assert gap_s <= float(unknown.value or 0.0) <= gap_s + before_s + 0.1
    (stopped,) = [r for r in records if r.subject == "pump_1.stopped"]
    assert stopped.after_us <= lost.after_us  # it stopped at some time in the gap
    assert stopped.quality.word == "uncertain"
    events = [r.subject for r in records if r.subject.startswith("meadow.link_")]
    assert events.count("meadow.link_lost") == 2
    assert events.count("meadow.link_returned") == 2


Answer = Callable[[bytes], bytes]


@contextlib.asynccontextmanager
async def stranger(port: int, answer: Answer) -> AsyncIterator[None]:
    """A device that answers whole Modbus TCP requests with whatever ``answer`` makes of them."""
    talking: list[asyncio.StreamWriter] = []

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talking.append(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, OSError):
            while True:
                head = await reader.readexactly(6)
                length = int.from_bytes(head[4:6], "big")
                writer.write(answer(head + await reader.readexactly(length)))

    server = await asyncio.start_server(talk, "127.0.0.1", port)
    try:
        yield
    finally:
        server.close()
        for writer in talking:
            writer.close()


def as_unit(unit: int) -> Answer:
    """Answers of a device with another unit identifier, all bits set."""

    def answer(request: bytes) -> bytes:
        function, count = request[7], int.from_bytes(request[10:12], "big")
        data = b"\xff" * (2 * count if function >= 3 else (count + 7) // 8)
        rest = bytes([unit, function, len(data)]) + data
        return request[:4] + len(rest).to_bytes(2, "big") + rest

    return answer


async def test_a_device_of_another_unit_never_gives_a_value(tmp_path: Path) -> None:
    """A panel exchanged for one with another unit identifier is a lost panel, not a new state.

    The other device says that all contacts are made; none of it is recorded, and when the right
    panel is back it is as it was.
    """
    meadow = Meadow()
    meadow.port = free_port()
    async with daemon(tmp_path, meadow.port) as collector:
        async with meadow.served():
            await collector.start()
            assert words(await link_records(collector, 1)) == ["panel-returned"]
        points = collector.records(RecordKind.POINT)
        async with stranger(meadow.port, as_unit(9)):
            assert words(await link_records(collector, 2))[1:] == ["panel-lost"]
            await asyncio.sleep(1.0)  # several attempts on it
        async with meadow.served():
            assert words(await link_records(collector, 3))[2:] == ["panel-returned"]
        assert await collector.stop() == ExitCode.DONE
        # Readings may have changed on the way, contacts of a standing plant have not.
        assert collector.records(RecordKind.POINT) == points
