"""Our links read a panel made with libmodbus, over TCP and on a line, and get its contents."""

from __future__ import annotations

import random
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

import pytest

from collector.core.scans import Read
from collector.links.contract import Link
from collector.links.faults import ExceptionReply
from collector.links.modbus import open_link
from collector.plant.model import RtuLink, TcpLink
from tests.contract.libmodbus_peer import BITS, REGISTERS, rtu_peer, tcp_peer

UNIT = 17
NO_PARITY: Literal["none"] = "none"  # a pseudo terminal has no parity to set
BAUD: Literal[19200] = 19200
_random = random.Random(20)
CONTENTS = {
    (function, address): _random.getrandbits(1 if function <= 2 else 16)
    for function in (1, 2, 3, 4)
    for address in range(BITS if function <= 2 else REGISTERS)
}

# Both extremes of count, first and last addresses, and counts around the byte of packed bits.
READS = [
    Read(UNIT, function, start, count)
    for function, size, counts in (
        (1, BITS, (1, 7, 8, 9, 2000)),
        (2, BITS, (1, 7, 8, 9, 2000)),
        (3, REGISTERS, (1, 2, 125)),
        (4, REGISTERS, (1, 2, 125)),
    )
    for count in counts
    for start in (0, 3, size - count)
]


def payload_by_the_standard(read: Read) -> bytes:
    """Data of the reply by Application Protocol V1.1b3, sections 6.1 and 6.3.

    Bits: the lowest address in the lowest bit of the first byte, the last byte filled with zeros.
    Registers: high byte first.
    """
    values = [CONTENTS[read.function, read.start + place] for place in range(read.count)]
    if read.function >= 3:
        return b"".join(value.to_bytes(2, "big") for value in values)
    text = "".join(str(bit) for bit in reversed(values))
    return int(text, 2).to_bytes((read.count + 7) // 8, "little")


@pytest.fixture(scope="module")
def tcp_port() -> Iterator[int]:
    """A libmodbus panel on TCP."""
    with tcp_peer(CONTENTS) as port:
        yield port


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A libmodbus panel on the far end of a line made of two pseudo terminals."""
    directory = tmp_path_factory.mktemp("line")
    ours, theirs = directory / "ours", directory / "theirs"
    with two_ends(ours, theirs), rtu_peer(str(theirs), UNIT, BAUD, CONTENTS):
        yield str(ours)


@contextmanager
def two_ends(*ends: Path) -> Iterator[None]:
    """Two pseudo terminals joined by socat."""
    command = ["socat", *(f"pty,raw,echo=0,link={end}" for end in ends)]
    try:
        process = subprocess.Popen(command)
    except FileNotFoundError as error:
        raise RuntimeError("socat is missing: apt-get install socat") from error
    try:
        for _ in range(1000):
            if all(end.exists() for end in ends):
                break
            time.sleep(0.01)
        else:
            raise RuntimeError("socat made no pseudo terminals within 10 s")
        yield
    finally:
        process.kill()
        process.wait()


async def read_and_close(link: Link, read: Read) -> bytes:
    """One read on a link of its own."""
    try:
        return await link.read(read, 1.0)
    finally:
        await link.close()


@pytest.mark.parametrize("read", READS, ids=str)
async def test_every_table_reads_over_tcp_as_the_panel_holds_it(tcp_port: int, read: Read) -> None:
    """Bit for bit and register for register, at both ends of the tables and of the counts."""
    link = open_link(TcpLink(kind="tcp", host="127.0.0.1", port=tcp_port))
    assert await read_and_close(link, read) == payload_by_the_standard(read)


async def test_every_table_reads_over_a_line_as_the_panel_holds_it(line: str) -> None:
    """The same on RTU, one read behind the other on one open line."""
    link = open_link(RtuLink(kind="rtu", device=line, baud=BAUD, parity=NO_PARITY))
    try:
        for read in READS:
            assert await link.read(read, 1.0) == payload_by_the_standard(read), read
    finally:
        await link.close()


@pytest.mark.parametrize(
    "read",
    [
        Read(UNIT, 1, BITS - 1, 2),
        Read(UNIT, 2, BITS, 1),
        Read(UNIT, 3, REGISTERS - 124, 125),
        Read(UNIT, 4, 65535, 1),
    ],
    ids=str,
)
async def test_addresses_the_panel_lacks_are_exception_02(
    tcp_port: int, line: str, read: Read
) -> None:
    """Illegal data address (V1.1b3, section 7), over TCP and on the line; the next read works."""
    for link in (
        open_link(TcpLink(kind="tcp", host="127.0.0.1", port=tcp_port)),
        open_link(RtuLink(kind="rtu", device=line, baud=BAUD, parity=NO_PARITY)),
    ):
        with pytest.raises(ExceptionReply) as refused:
            await link.read(read, 1.0)
        assert refused.value.code == 2
        after = Read(UNIT, 3, 0, 10)
        assert await read_and_close(link, after) == payload_by_the_standard(after)
