"""The served panels and the way to them: real connections on loopback."""

from __future__ import annotations

import asyncio
import signal
import struct
import sys
from pathlib import Path

import pytest

from simulator.__main__ import BadOption, parse_instant, parse_ports
from simulator.plant import OsierBend
from simulator.schedule import MINUTE_US, SECOND_US
from simulator.server import serve
from simulator.wire import DAMAGES

START_US = 1_752_303_600 * SECOND_US  # 2025-07-12T07:00:00Z
REPLY_WITHIN_S = 5.0


def request(transaction: int, unit: int, function: int, start: int, count: int) -> bytes:
    """A read request: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3."""
    return struct.pack(">HHHBBHH", transaction, 0, 6, unit, function, start, count)


class Client:
    """A bare socket that speaks to one panel."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer
        self._transaction = 0

    @classmethod
    async def to(cls, port: int) -> Client:
        """Connect on loopback."""
        return cls(*await asyncio.open_connection("127.0.0.1", port))

    def send(self, frame: bytes) -> None:
        """Send bytes as they are."""
        self._writer.write(frame)

    async def receive(self, count: int) -> bytes:
        """So many bytes, or what there was before the end."""
        try:
            return await asyncio.wait_for(self._reader.readexactly(count), REPLY_WITHIN_S)
        except asyncio.IncompleteReadError as end:
            return end.partial

    async def reply(self) -> bytes:
        """One whole frame."""
        header = await self.receive(6)
        return header + await self.receive(struct.unpack(">H", header[4:6])[0])

    async def at_end(self) -> bool:
        """Whether the other side has hung up."""
        try:
            return await asyncio.wait_for(self._reader.read(1), REPLY_WITHIN_S) == b""
        except ConnectionError:
            return True

    def close(self) -> None:
        """Hang up."""
        self._writer.close()


def standing(*lines: str) -> OsierBend:
    """A plant one minute after its start, with a script."""
    plant = OsierBend(1, START_US, "\n".join(lines))
    plant.advance_to(START_US + MINUTE_US)
    return plant


async def test_a_sound_panel_answers_with_its_image() -> None:
    """The data bytes of a reply are those of the image; exceptions carry their code."""
    plant = standing()
    async with serve(plant, {"works": 0, "meadow": 0}, speed=0.0) as up:
        client = await Client.to(up.ports["works"])
        client.send(request(7, 1, 2, 0, 48))
        data = plant.panels["works"].image.read(2, 0, 48)
        assert await client.reply() == struct.pack(">HHHBBB", 7, 0, 9, 1, 2, 6) + bytes(data)
        client.send(request(8, 1, 4, 103, 1))
        assert await client.reply() == bytes.fromhex("000800000003018402")
        client.send(request(9, 1, 5, 0, 0xFF00))
        assert await client.reply() == bytes.fromhex("000900000003018501")
        client.close()


async def test_requests_sent_together_are_answered_in_turn() -> None:
    """Two requests in one segment, and one in single bytes, get their own replies."""
    async with serve(standing(), {"works": 0}, speed=0.0) as up:
        client = await Client.to(up.ports["works"])
        client.send(request(1, 1, 4, 102, 1) + request(2, 1, 4, 110, 7))
        assert (await client.reply())[:2] == b"\x00\x01"
        assert (await client.reply())[:2] == b"\x00\x02"
        for byte in request(3, 1, 3, 230, 1):
            client.send(bytes([byte]))
            await asyncio.sleep(0)
        assert (await client.reply())[:2] == b"\x00\x03"
        client.close()


async def test_a_dead_link_cuts_and_refuses_until_it_is_back() -> None:
    """The standing connection breaks when the fault begins, a new one is closed at once, and after
    the fault it works again.
    """
    plant = standing("at 2m for 1m link_dead works")
    async with serve(plant, {"works": 0}, speed=0.0) as up:
        client = await Client.to(up.ports["works"])
        client.send(request(1, 1, 4, 102, 1))
        await client.reply()
        plant.advance_to(START_US + 2 * MINUTE_US)
        assert await client.at_end()
        late = await Client.to(up.ports["works"])
        assert await late.at_end()
        plant.advance_to(START_US + 3 * MINUTE_US)
        again = await Client.to(up.ports["works"])
        again.send(request(2, 1, 4, 102, 1))
        assert len(await again.reply()) == 11
        for each in (client, late, again):
            each.close()


async def test_a_silent_link_swallows_requests() -> None:
    """What was asked in the silence is never answered; what is asked after it is."""
    plant = standing("at 1m for 1m link_silent works")
    async with serve(plant, {"works": 0}, speed=0.0) as up:
        client = await Client.to(up.ports["works"])
        client.send(request(1, 1, 4, 102, 1))
        await asyncio.sleep(0.1)
        plant.advance_to(START_US + 2 * MINUTE_US)
        client.send(request(2, 1, 4, 102, 1))
        assert (await client.reply())[:2] == b"\x00\x02"
        client.close()


async def test_slow_replies_come_late_but_whole() -> None:
    """The reply is held back for the time the fault says."""
    plant = standing("at 1m for 1m replies_slow works seconds=0.3")
    async with serve(plant, {"works": 0}, speed=0.0) as up:
        client = await Client.to(up.ports["works"])
        loop = asyncio.get_running_loop()
        sent_s = loop.time()
        client.send(request(1, 1, 4, 102, 1))
        assert len(await client.reply()) == 11
        assert loop.time() - sent_s >= 0.3
        client.close()


async def test_garbled_replies_arrive_damaged_in_every_way() -> None:
    """None of the replies is the sound one, and each kind of damage comes up."""
    plant = standing("at 1m for 1m replies_garbled works")
    data = plant.panels["works"].image.read(4, 110, 7)
    sound = struct.pack(">HHHBBB", 1, 0, 17, 1, 4, 14) + bytes(data)
    expected = {damage(sound) for damage in DAMAGES}
    assert sound not in expected
    assert len(expected) == len(DAMAGES)
    got = set()
    async with serve(plant, {"works": 0}, speed=0.0) as up:
        client = await Client.to(up.ports["works"])
        for turn in range(1, len(DAMAGES) + 1):
            client.send(request(1, 1, 4, 110, 7))
            length = len(DAMAGES[turn % len(DAMAGES)](sound))
            got.add(await client.receive(length))
        client.close()
    assert got == expected


async def test_time_passes_at_the_speed_asked_for() -> None:
    """At speed 600 the heartbeat, one in 10 s, moves within the second."""
    plant = standing()
    async with serve(plant, {"works": 0}, speed=600.0) as up:
        client = await Client.to(up.ports["works"])
        beats = set()
        for turn in range(200):
            client.send(request(turn, 1, 4, 102, 1))
            beats.add((await client.reply())[-2:])
            if len(beats) > 3:
                break
            await asyncio.sleep(0.01)
        client.close()
    assert len(beats) > 3


async def test_a_taken_port_is_an_error_and_leaves_nothing_open() -> None:
    """A second server on the port fails, and the first goes on."""
    async with serve(standing(), {"works": 0}, speed=0.0) as up:
        with pytest.raises(OSError, match="address already in use"):
            async with serve(standing(), {"meadow": 0, "works": up.ports["works"]}, speed=0.0):
                pass
        client = await Client.to(up.ports["works"])
        client.send(request(1, 1, 4, 102, 1))
        assert len(await client.reply()) == 11
        client.close()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_the_program_serves_and_ends_cleanly(number: signal.Signals, tmp_path: Path) -> None:
    """It prints its ports, answers, and ends with 0 on a signal although a reader is connected."""
    script = tmp_path / "faults.txt"
    script.write_text("at 1h for 1h link_dead meadow\n")
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "simulator", "serve", "--ports", "works=0,meadow=0",
        "--script", str(script), "--start", "2025-07-12T07:00:00Z",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    lines = [
        (await asyncio.wait_for(process.stdout.readline(), 20.0)).decode().split() for _ in "12"
    ]
    assert [line[0] for line in lines] == ["works", "meadow"]
    client = await Client.to(int(lines[1][1].rpartition(":")[2]))
    client.send(request(1, 7, 3, 0, 3))
    assert len(await client.reply()) == 15
    process.send_signal(number)
    _, complaints = await asyncio.wait_for(process.communicate(), 20.0)
    assert process.returncode == 0
    assert complaints == b""
    client.close()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--ports", "wroks=1"], "--ports: found panel 'wroks', expected one of works, meadow"),
        (["--ports", "works=x"], "--ports: found 'x' for works, expected a port from 0 to 65535"),
        (["--speed", "0"], "--speed: found 0.0, expected more than 0, at most 10000"),
        (["--start", "noon"], "--start: found 'noon', expected an instant such as"),
        (["--script", "/nonexistent"], "--script: /nonexistent cannot be read"),
    ],
)
async def test_bad_options_are_one_sentence(options: list[str], sentence: str) -> None:
    """Exit 2, one line on the standard error, no traceback."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "simulator", "serve", *options,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    _, complaints = await asyncio.wait_for(process.communicate(), 20.0)
    assert process.returncode == 2
    assert complaints.decode().startswith(sentence)
    assert complaints.count(b"\n") == 1


def test_options_are_read() -> None:
    """Ports by panel; instants in any zone; an instant without one is refused."""
    assert parse_ports("works=0,bowser=15022") == {"works": 0, "bowser": 15022}
    assert parse_instant("2025-07-12T08:00:00+01:00") == START_US
    with pytest.raises(BadOption):
        parse_instant("2025-07-12T08:00:00")
