"""Bad replies on real sockets and lines: never a wrong value, and the next good reply is read."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Iterable

import pytest

from collector.core.scans import Read
from collector.links import modbus
from collector.links.faults import (
    ConnectionLost,
    ExceptionReply,
    MalformedReply,
    NoReply,
    ReadFault,
)
from collector.links.modbus import open_link
from collector.plant.model import RtuLink
from tests.faults.links_panel import (
    CLOSE,
    KINDS,
    Action,
    BadPanel,
    Behaviour,
    Kind,
    Request,
    bad_panel,
    on_a_line,
    right,
)

READ = Read(1, 3, 0, 10)
SHORT_S = 0.05
LONG_S = 20.0  # never waited for: what is told at once must come long before it


def pdu_of(change: str, request: Request) -> bytes:
    """A reply that is wrong inside a right frame."""
    pdu, function = request.right_pdu, request.pdu[0]
    data = pdu[2:]
    return {
        "short": pdu[:-1],
        "long": pdu + b"\0",
        "another function": bytes([4]) + pdu[1:],
        "a register less": bytes([function, len(data) - 2]) + data[:-2],
        "a register more": bytes([function, len(data) + 2]) + data + b"\0\0",
        "odd byte count": bytes([function, len(data) - 1]) + data[:-1],
        "byte count above the data": bytes([function, len(data) + 2]) + data,
        "byte count below the data": bytes([function, len(data) - 2]) + data,
        "echo of the request": request.pdu,
        "exception of another function": bytes([0x84, 2]),
        "exception without a code": bytes([0x83]),
        "exception 00": bytes([0x83, 0x00]),
        "exception 07": bytes([0x83, 0x07]),
        "exception 09": bytes([0x83, 0x09]),
        "exception 0C": bytes([0x83, 0x0C]),
        "exception FF": bytes([0x83, 0xFF]),
    }[change]


def bytes_of(change: str, request: Request) -> list[Action]:
    """A reply that is wrong as a frame, or in what surrounds it."""
    frame = request.framed(request.right_pdu)
    return {
        "another unit": [request.framed(request.right_pdu, unit=2)],
        "unit 0": [request.framed(request.right_pdu, unit=0)],
        "half": [frame[: len(frame) // 2]],
        "one byte": [frame[:1]],
        "nothing": [],
        "garbage": [bytes(range(200, 230))],
        "zeros": [bytes(len(frame))],
        "garbage before": [bytes(range(200, 207)) + frame],
        "a zero before": [b"\0" + frame],
        "garbage behind": [frame + bytes(range(200, 207))],
    }[change]  # type: ignore[return-value]


PDU_CHANGES = (
    "short", "long", "another function", "a register less", "a register more", "odd byte count",
    "byte count above the data", "byte count below the data", "echo of the request",
    "exception of another function", "exception without a code",
    "exception 00", "exception 07", "exception 09", "exception 0C", "exception FF",
)  # fmt: skip
FRAME_CHANGES = (
    "another unit", "unit 0", "half", "one byte", "nothing", "garbage", "zeros", "garbage before",
    "a zero before", "garbage behind",
)  # fmt: skip


def once(bad: Behaviour) -> Behaviour:
    """The first answer is bad, all others are right."""
    used = [False]

    def behave(request: Request) -> Iterable[Action]:
        if used[0]:
            return right(request)
        used[0] = True
        return bad(request)

    return behave


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("change", PDU_CHANGES + FRAME_CHANGES)
async def test_a_bad_reply_is_a_fault_and_the_next_read_is_right(kind: Kind, change: str) -> None:
    """Whatever came, the read fails with a reason, and the one after it brings its own truth."""

    def bad(request: Request) -> Iterable[Action]:
        if change in PDU_CHANGES:
            return [request.framed(pdu_of(change, request))]
        return bytes_of(change, request)

    async with bad_panel(kind, once(bad)) as (panel, link):
        with pytest.raises((MalformedReply, NoReply)) as fault:
            await link.read(READ, SHORT_S)
        assert (fault.value.reason == "no reply") == (change == "nothing")
        for _ in range(3):
            assert panel.answers_last_of(0, await link.read(READ, LONG_S))


TCP_HEADERS = {
    "transaction 0": lambda r: r.framed(r.right_pdu, transaction=0),
    "the next transaction": lambda r: r.framed(r.right_pdu, transaction=r.transaction + 1),
    "transaction 65535": lambda r: r.framed(r.right_pdu, transaction=65535),
    "protocol 1": lambda r: r.frame[:2] + b"\0\1" + r.framed(r.right_pdu)[4:],
    "length 0": lambda r: r.frame[:4] + b"\0\0" + r.framed(r.right_pdu)[6:],
    "length below": lambda r: r.frame[:4] + b"\0\x16" + r.framed(r.right_pdu)[6:],
    "length above": lambda r: r.frame[:4] + b"\0\x18" + r.framed(r.right_pdu)[6:],
    "length 65535": lambda r: r.frame[:4] + b"\xff\xff" + r.framed(r.right_pdu)[6:],
    "an exception with length 2": lambda r: r.frame[:4] + b"\0\2" + r.frame[6:7] + b"\x83\x02",
}


@pytest.mark.parametrize("change", TCP_HEADERS)
async def test_a_wrong_tcp_header_fails_the_read_at_once(change: str) -> None:
    """The stream cannot be trusted after it: a new connection brings the next value."""
    async with bad_panel("tcp", once(lambda r: [TCP_HEADERS[change](r)])) as (panel, link):
        async with asyncio.timeout(LONG_S / 2):
            with pytest.raises(MalformedReply):
                await link.read(READ, LONG_S)
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        assert panel.connections == 2


@pytest.mark.parametrize("kind", ["rtu-over-tcp", "rtu"])
async def test_a_wrong_check_sum_fails_the_read_at_once(kind: Kind) -> None:
    """One bit of the data is wrong, so the CRC does not fit."""

    def flipped(request: Request) -> Iterable[Action]:
        frame = bytearray(request.framed(request.right_pdu))
        frame[7] ^= 0x10
        return [bytes(frame)]

    async with bad_panel(kind, once(flipped)) as (panel, link):
        async with asyncio.timeout(LONG_S / 2):
            with pytest.raises(MalformedReply, match="check sum"):
                await link.read(READ, LONG_S)
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))


@pytest.mark.parametrize("kind", KINDS)
async def test_a_reply_in_pieces_is_read(kind: Kind) -> None:
    """Byte by byte, or cut in two anywhere, it is the same reply."""

    def bytewise(request: Request) -> Iterable[Action]:
        frame = request.framed(request.right_pdu)
        return [frame[i : i + 1] for i in range(len(frame))]

    def cut(request: Request) -> Iterable[Action]:
        frame = request.framed(request.right_pdu)
        at = 1 + request.number % (len(frame) - 1)
        return [frame[:at], frame[at:]]

    async with bad_panel(kind, bytewise) as (panel, link):
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        panel.behaviour = cut
        for _ in range(30):
            assert panel.answers_last_of(0, await link.read(READ, LONG_S))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 8, 10, 11])
async def test_each_exception_of_the_standard_is_told_by_its_code(kind: Kind, code: int) -> None:
    """Application Protocol V1.1b3, section 7; the next read goes out on the same connection."""
    async with bad_panel(kind, once(lambda r: [r.framed(bytes([0x83, code]))])) as (panel, link):
        with pytest.raises(ExceptionReply) as answer:
            await link.read(READ, LONG_S)
        assert answer.value.reason == f"exception {code:02X}"
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        assert panel.connections == (0 if kind == "rtu" else 1)


async def test_two_replies_at_once_over_tcp_count_once() -> None:
    """The twin carries the number of a request already answered and is dropped."""
    async with bad_panel("tcp", lambda r: [2 * r.framed(r.right_pdu)]) as (panel, link):
        for _ in range(5):
            assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        assert panel.connections == 1


class OneBehind:
    """Answers each request only when the next one comes, for ever one behind."""

    def __init__(self) -> None:
        self.owed: list[Request] = []

    def __call__(self, request: Request) -> Iterable[Action]:
        self.owed.append(request)
        if len(self.owed) == 1:
            return []
        late = self.owed.pop(0)
        return [late.framed(late.right_pdu)]


@pytest.mark.parametrize("kind", KINDS)
async def test_replies_late_by_one_poll_are_never_a_value(kind: Kind) -> None:
    """Every reply is the right answer to the request before: none of them is taken."""
    reads = [READ, Read(1, 3, 100, 10), Read(1, 3, 200, 1), Read(1, 3, 300, 1)]
    async with bad_panel(kind, OneBehind()) as (panel, link):
        for turn in range(16):
            read = reads[turn % len(reads)]
            try:
                payload = await link.read(read, SHORT_S)
            except ReadFault:
                continue
            assert panel.answers_last_of(read.start, payload)
        panel.behaviour = right
        for read in reads:
            for _ in range(3):
                assert panel.answers_last_of(read.start, await link.read(read, LONG_S))


async def test_a_late_reply_that_comes_before_the_next_request_is_dropped() -> None:
    """Over TCP by its number; on a line in the quiet time, and without costing a connection."""
    for kind in ("tcp", "rtu"):
        async with bad_panel(kind, once(lambda _: [])) as (panel, link):
            with pytest.raises(NoReply):
                await link.read(READ, SHORT_S)
            panel.say(panel.requests[0].framed(panel.requests[0].right_pdu))
            assert panel.answers_last_of(0, await link.read(READ, LONG_S))
            assert panel.connections == (1 if kind == "tcp" else 0)


async def test_rtu_over_tcp_begins_a_new_connection_after_a_timeout() -> None:
    """A late reply has nowhere to arrive."""
    async with bad_panel("rtu-over-tcp", once(lambda _: [])) as (panel, link):
        with pytest.raises(NoReply):
            await link.read(READ, SHORT_S)
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        assert panel.connections == 2


async def test_a_line_is_silent_for_three_and_a_half_characters_before_each_request() -> None:
    """At 19200 baud 2.005 ms from the last reply to the next request (Serial Line V1.02)."""
    said_s: list[float] = []

    def timed(request: Request) -> Iterable[Action]:
        said_s.append(asyncio.get_running_loop().time())
        return right(request)

    async with bad_panel("rtu", timed) as (panel, link):
        for _ in range(20):
            await link.read(READ, LONG_S)
        gaps = [b - a for a, b in zip(said_s, panel.arrived_s[1:], strict=False)]
        assert min(gaps) >= 3.5 * 11 / 19200


async def test_a_line_that_never_falls_silent_is_a_fault_and_not_a_hang(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another master, or a broken driver, talks without end: the read is given up, unsent."""
    monkeypatch.setattr(modbus, "NOISE_PATIENCE_S", 0.1)
    panel = BadPanel("rtu")
    async with on_a_line(panel) as device:
        link = open_link(RtuLink(kind="rtu", device=device, baud=1200, parity="none"))
        await link.read(READ, LONG_S)

        async def babble() -> None:
            while True:
                panel.say(b"\x55")
                await asyncio.sleep(0.001)

        babbling = asyncio.create_task(babble())
        await asyncio.sleep(0.02)
        with pytest.raises(MalformedReply, match="something talks on"):
            await link.read(READ, LONG_S)
        babbling.cancel()
        await asyncio.gather(babbling, return_exceptions=True)
        assert len(panel.requests) == 1
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        await link.close()


@pytest.mark.parametrize(("kind", "turns"), [("tcp", 200), ("rtu-over-tcp", 100), ("rtu", 40)])
async def test_no_damaged_reply_ever_becomes_a_wrong_value(kind: Kind, turns: int) -> None:
    """Seeded damage of all sorts on the real link: every value taken is the truth."""
    chance = random.Random(f"damage {kind}")

    def damaging(request: Request) -> Iterable[Action]:
        frame = bytearray(request.framed(request.right_pdu))
        reach = 9 if kind == "tcp" else len(frame)  # TCP itself guards the data behind the header
        for _ in range(chance.choice((0, 0, 0, 1, 2))):
            at = chance.randrange(max(1, min(reach, len(frame))))
            match chance.choice(("flip", "drop", "insert", "cut", "double")):
                case "flip":
                    frame[at : at + 1] = bytes(
                        b ^ chance.randrange(1, 256) for b in frame[at : at + 1]
                    )
                case "drop":
                    del frame[at : at + 1]
                case "insert":
                    frame.insert(at, chance.randrange(256))
                case "cut":
                    del frame[at:]
                case "double":
                    frame[at:at] = frame[at : at + 3]
        return [bytes(frame)] if frame else []

    taken = 0
    async with bad_panel(kind, damaging) as (panel, link):
        for _ in range(turns):
            try:
                payload = await link.read(READ, 0.01)
            except ReadFault:
                continue
            taken += 1
            assert panel.answers_last_of(0, payload)
    assert 0 < taken < turns


@pytest.mark.parametrize("kind", ["tcp", "rtu-over-tcp"])
@pytest.mark.parametrize("sent", [0, 1, 5, 20])
async def test_a_connection_closed_before_the_reply_is_whole_is_told_at_once(
    kind: Kind, sent: int
) -> None:
    """Not after the timeout; and the next read opens a new one."""

    def closing(request: Request) -> Iterable[Action]:
        return [request.framed(request.right_pdu)[:sent], CLOSE]

    async with bad_panel(kind, once(closing)) as (panel, link):
        async with asyncio.timeout(LONG_S / 2):
            with pytest.raises(ConnectionLost):
                await link.read(READ, LONG_S)
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))


@pytest.mark.parametrize("kind", ["tcp", "rtu-over-tcp"])
async def test_a_connection_closed_between_reads_costs_no_read(kind: Kind) -> None:
    """The end was noticed when it came, so the next read begins with a new connection."""
    async with bad_panel(kind) as (panel, link):
        await link.read(READ, LONG_S)
        panel.close()
        await asyncio.sleep(0.02)
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        assert panel.connections == 2


async def test_a_cancelled_read_leaves_nothing_behind() -> None:
    """Its late reply is not taken for the answer to the next read, on any link."""
    for kind in KINDS:
        async with bad_panel(kind, once(lambda _: [])) as (panel, link):
            reading = asyncio.create_task(link.read(READ, LONG_S))
            await panel.asked.wait()
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading
            panel.say(panel.requests[0].framed(panel.requests[0].right_pdu))
            assert panel.answers_last_of(0, await link.read(READ, LONG_S))
