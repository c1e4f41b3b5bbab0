"""Replies of panels, damaged by structure: what is believed must be what a right frame carries.

The judge is written from the standards alone, without the program: Modbus Messaging on TCP/IP
Implementation Guide V1.0b, section 3.1.3 (header), and Modbus over Serial Line V1.02, section 2.5.1
and appendix B (frame and CRC; its check value for "123456789" is 0x4B37, CRC catalogue,
CRC-16/MODBUS).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from random import Random

from collector.core.scans import Read
from collector.links.faults import ReadFault
from collector.links.frames import MbapReader, RtuReader
from tests.fuzz.mutation import damaged, pieces_of

Judge = Callable[[bytes], bytes | None]


class WrongValue(AssertionError):
    """Something was believed, or a right reply was not."""


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS, bit by bit."""
    value = 0xFFFF
    for each in data:
        value ^= each
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value


def random_read(rng: Random) -> Read:
    """A read that a plan may hold, mostly short."""
    function = rng.randint(1, 4)
    most = 2000 if function <= 2 else 125
    count = min(most, rng.choice((1, 2, 3, 7, 8, 9, 16, 17, 60, most)))
    return Read(rng.randint(1, 247), function, rng.randrange(65536 - count), count)


def mbap_payload(stream: bytes, number: int, highest: int, read: Read) -> bytes | None:
    """What a stream carries: the one right reply among whole frames of used numbers; else None."""
    found: bytes | None = None
    while stream:
        if len(stream) < 6:
            return None
        got, protocol, length = struct.unpack(">HHH", stream[:6])
        frame, stream = stream[: 6 + length], stream[6 + length :]
        if protocol or not 1 <= got <= highest or not 3 <= length <= 254:
            return None
        if len(frame) < 6 + length:
            return None
        if got == number and found is None:
            size = read.payload_length
            if frame[6:9] != bytes((read.unit, read.function, size)) or length != 3 + size:
                return None
            found = frame[9:]
    return found


def rtu_payload(stream: bytes, read: Read) -> bytes | None:
    """What a stream carries that is one right frame and nothing else; else None."""
    head = bytes((read.unit, read.function, read.payload_length))
    if len(stream) != 5 + read.payload_length or not stream.startswith(head):
        return None
    body, check = stream[:-2], struct.unpack("<H", stream[-2:])[0]
    return body[3:] if crc16(body) == check else None


def mbap_cases(rng: Random, count: int) -> int:
    """Try so many damaged streams over numbered connections; how many were believed."""
    reader, believed = MbapReader(), 0
    for _ in range(count):
        reader.begin()
        read = random_read(rng)
        request = reader.request(read)
        number = struct.unpack(">H", request[:2])[0]
        highest = reader._highest_used
        stream = _mbap_stream(read, number, rng)
        believed += _feed(
            reader,
            stream,
            rng,
            lambda so_far: mbap_payload(so_far, number, highest, read),  # noqa: B023
        )
        reader.give_up()
    return believed


def rtu_cases(rng: Random, count: int) -> int:
    """Try so many damaged replies in RTU framing; how many were believed."""
    believed = 0
    for _ in range(count):
        reader, read = RtuReader(), random_read(rng)
        reader.request(read)
        stream = _rtu_stream(read, rng)
        believed += _feed(reader, stream, rng, lambda so_far: rtu_payload(so_far, read))  # noqa: B023
        reader.give_up()
    return believed


def _feed(reader: MbapReader | RtuReader, stream: bytes, rng: Random, judge: Judge) -> int:
    """Feed a stream in pieces and compare the first outcome with the judge's."""
    so_far = b""
    for piece in pieces_of(stream, rng):
        so_far += piece
        outcome = reader.feed(piece)
        right = judge(so_far)
        if outcome is None:
            if right is not None:
                raise WrongValue(f"a right reply was not believed: {so_far.hex()}")
            continue
        if isinstance(outcome, bytes) and outcome != right:
            raise WrongValue(f"believed {outcome.hex()} of {so_far.hex()}, right is {right!r}")
        if isinstance(outcome, ReadFault) and right is not None:
            raise WrongValue(f"a right reply was refused ({outcome}): {so_far.hex()}")
        return int(isinstance(outcome, bytes))
    return 0


def _mbap_stream(read: Read, number: int, rng: Random) -> bytes:
    def frame(of: int, unit: int, pdu: bytes, length: int | None = None) -> bytes:
        size = 1 + len(pdu) if length is None else length
        return struct.pack(">HHHB", of, 0, size & 0xFFFF, unit) + pdu

    pdu = bytes((read.function, read.payload_length)) + rng.randbytes(read.payload_length)
    way = rng.random()
    if way < 0.15:
        stale = frame(max(1, number - rng.randint(1, 3)), read.unit, damaged(pdu, rng)[:253])
        return stale + frame(number, read.unit, pdu)
    if way < 0.25:
        exception = bytes((read.function | 0x80, rng.randrange(256)))
        return frame(number, read.unit, exception)
    if way < 0.35:
        return frame(rng.choice((0, number + 1, 65535)), read.unit, pdu)
    if way < 0.5:
        return frame(number, read.unit, damaged(pdu, rng), rng.choice((None, 3, 0, 254, 65535)))
    if way < 0.6:
        other = bytes((rng.randint(1, 4), rng.choice((0, 255, read.payload_length ^ 1))))
        return frame(number, rng.choice((read.unit, 0, 255)), other + pdu[2:])
    if way < 0.7:
        return frame(number, read.unit, pdu)
    return damaged(frame(number, read.unit, pdu), rng)


def _rtu_stream(read: Read, rng: Random) -> bytes:
    def checked(body: bytes) -> bytes:
        return body + struct.pack("<H", crc16(body))

    body = bytes((read.unit, read.function, read.payload_length))
    body += rng.randbytes(read.payload_length)
    way = rng.random()
    if way < 0.1:
        return checked(body)
    if way < 0.5:
        return checked(damaged(body, rng))  # a wrong frame with a right check sum
    if way < 0.6:
        return checked(bytes((read.unit, read.function | 0x80, rng.randrange(256))))
    if way < 0.7:
        return rng.randbytes(rng.randint(1, 4)) + checked(body)
    return damaged(checked(body), rng)
