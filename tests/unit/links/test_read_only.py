"""Nothing but reads can leave, and the library is the one this was written against."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pymodbus
import pytest

import collector
from collector.errors import Bug
from collector.links.connection import PYMODBUS_SERIES, Connection
from collector.links.frames import MbapReader, RtuReader
from collector.plant.model import RtuLink, RtuOverTcpLink, TcpLink, TlsLink

TCP = TcpLink(kind="tcp", host="127.0.0.1")
LINKS = [
    TCP,
    TlsLink(kind="tls", host="127.0.0.1", authority_file="authority.pem"),
    RtuLink(kind="rtu", device="/dev/null"),
    RtuOverTcpLink(kind="rtu-over-tcp", host="127.0.0.1"),
]


class Wire(asyncio.Transport):
    """Takes what is sent."""

    def __init__(self) -> None:
        super().__init__()
        self.sent: list[bytes] = []

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Keep it."""
        self.sent.append(bytes(data))


def frame(link: object, function: int) -> bytes:
    """A frame that is a read request but for its function code."""
    if isinstance(link, RtuLink | RtuOverTcpLink):
        return bytes([1, function, 0, 0, 0, 1, 0, 0])
    return bytes([0, 1, 0, 0, 0, 6, 1, function, 0, 0, 0, 1])


@pytest.mark.parametrize("link", LINKS, ids=lambda link: link.kind)
async def test_of_all_function_codes_only_the_four_reads_can_leave(link: TcpLink) -> None:
    """Codes 1 to 4 read (Application Protocol V1.1b3, section 6); the other 252 are refused."""
    connection = Connection(link, RtuReader() if "rtu" in link.kind else MbapReader())
    connection.transport = wire = Wire()
    for function in range(256):
        if function in (1, 2, 3, 4):
            connection.send(frame(link, function))
        else:
            with pytest.raises(Bug, match="refused to send"):
                connection.send(frame(link, function))
    assert wire.sent == [frame(link, function) for function in (1, 2, 3, 4)]


async def test_a_frame_of_another_length_cannot_leave() -> None:
    """A second request cannot hide behind a read."""
    connection = Connection(TCP, MbapReader())
    connection.transport = wire = Wire()
    for data in (b"", frame(TCP, 3)[:-1], frame(TCP, 3) + frame(TCP, 6)):
        with pytest.raises(Bug, match="refused to send"):
            connection.send(data)
    assert wire.sent == []


def test_bytes_leave_towards_panels_in_one_place() -> None:
    """The links write to a transport once, behind the check; no client of the library is used."""
    sources = {
        path.name: path.read_text()
        for path in (Path(collector.__file__).parent / "links").glob("*.py")
    }
    writing = {
        name: len(re.findall(r"\.(write|sendall|sendto|writelines)\(", text))
        for name, text in sources.items()
    }
    assert {name: count for name, count in writing.items() if count} == {"connection.py": 1}
    assert not any("pymodbus.client" in text for text in sources.values())


def test_the_library_is_of_the_series_whose_inner_parts_are_used() -> None:
    """Another series may have moved them: read ``connection.py`` again before changing this."""
    assert pymodbus.__version__.startswith(f"{PYMODBUS_SERIES}.")
    assert pymodbus.__version__ != "3.16.0"  # withdrawn by its makers
