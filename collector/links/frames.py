"""Requests and replies as bytes, without any I/O: what may be sent, and what counts as an answer.

A reader is told what was asked and fed whatever arrives; it says "here is the payload", "that was
no answer" or "more is to come". The one right reply to a read is known up to its data: unit,
function, byte count, and with them its length. So a reply is compared, not interpreted, and
whatever differs is malformed. Nothing is searched for in garbage.

Sources: PDU, limits and exceptions: Modbus Application Protocol V1.1b3, sections 4.1, 6.1 to 6.4
and 7. MBAP header: Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3. RTU frame,
CRC and silent intervals: Modbus over Serial Line V1.02, section 2.5.1.
"""

from __future__ import annotations

import struct

from pymodbus.framer import FramerRTU

from collector.core.scans import Read
from collector.errors import Bug
from collector.links.faults import (
    EXCEPTION_MEANINGS,
    ConnectionLost,
    ExceptionReply,
    MalformedReply,
    NoReply,
    ReadFault,
)

READ_FUNCTIONS = (1, 2, 3, 4)
LARGEST_COUNT = {1: 2000, 2: 2000, 3: 125, 4: 125}
ADDRESSES = 65536
EXCEPTION_BIT = 0x80
LONGEST_PDU = 253
LARGEST_TRANSACTION = 65535

Outcome = bytes | ReadFault | None
"""Payload of the checked reply; or the fault; or None while more is to come."""


def request_pdu(read: Read) -> bytes:
    """The five bytes that ask for a read.

    Raises:
        Bug: the read is outside what Modbus defines; the plan should not contain it.
    """
    function, start, count = read.function, read.start, read.count
    if function not in READ_FUNCTIONS:
        raise Bug(f"function code {function} is not a read; only 1 to 4 may be sent")
    if not (1 <= count <= LARGEST_COUNT[function] and 0 <= start <= ADDRESSES - count):
        raise Bug(f"a read of {count} at {start} is outside what function {function} allows")
    return struct.pack(">BHH", function, start, count)


def exception_or_malformed(function: int, pdu: bytes) -> ReadFault:
    """What a reply PDU says that does not carry the data asked for."""
    if len(pdu) == 2 and pdu[0] == function | EXCEPTION_BIT:
        if pdu[1] in EXCEPTION_MEANINGS:
            return ExceptionReply(pdu[1])
        return MalformedReply(f"exception code {pdu[1]:02X} is not defined")
    return MalformedReply(
        f"'{pdu[:8].hex(' ')}' in {len(pdu)} bytes does not answer function {function}"
    )


class MbapReader:
    """Replies behind a Modbus TCP header.

    A late reply still carries the number of its own transaction and is dropped; numbers go on over
    connections, because a gateway may keep a request longer than its connection. A number never
    used, zero among them, shows that the other side does not keep numbers: malformed.

    Attributes:
        broken: True once the stream cannot be trusted to be at the start of a frame.
    """

    def __init__(self) -> None:
        self.broken = False
        self._transaction = 0
        self._highest_used = 0
        self._read: Read | None = None
        self._head = b""
        self._whole_length = 0
        self._pending = b""

    def begin(self) -> None:
        """A new connection: its stream is at the start of a frame."""
        self.broken = False
        self._pending = b""

    def request(self, read: Read) -> bytes:
        """The frame to send; from here on its reply is awaited."""
        pdu = request_pdu(read)
        number = self._transaction % LARGEST_TRANSACTION + 1
        self._transaction = number
        self._highest_used = max(self._highest_used, number)
        self._read = read
        data_length = read.payload_length
        # The only header, unit, function and byte count a right reply can have.
        self._head = struct.pack(
            ">HHHBBB", number, 0, 3 + data_length, read.unit, read.function, data_length
        )
        self._whole_length = 9 + data_length
        return struct.pack(">HHHB", number, 0, 6, read.unit) + pdu

    def feed(self, data: bytes) -> Outcome:
        """Take what arrived; at most one outcome for each request."""
        if (
            self._read is not None
            and not self._pending
            and len(data) == self._whole_length
            and data.startswith(self._head)
        ):
            self._read = None
            return data[9:]
        self._pending += data
        outcome: Outcome = None
        while len(self._pending) >= 6 and not self.broken:
            number, protocol, length = struct.unpack_from(">HHH", self._pending)
            read = self._read if number == self._transaction else None
            if fault := self._header_fault(read, number, protocol, length):
                self.broken = True
                outcome = fault if outcome is None and self._read is not None else outcome
                self._read = None
                break
            if len(self._pending) < 6 + length:
                break
            frame = self._pending[: 6 + length]
            self._pending = self._pending[6 + length :]
            if read is not None:
                self._read = None
                outcome = self._checked(read, frame)
        if isinstance(outcome, bytes) and (self._pending or self.broken):
            self.broken = True  # then the frame itself may have begun at the wrong byte
            return MalformedReply(f"{len(self._pending)} bytes too many")
        return outcome

    def give_up(self) -> ReadFault:
        """The timeout has come: nothing arriving from now on answers the request."""
        self._read = None
        if self._pending:
            self.broken = True  # the rest of that frame may still come, at any time
            return MalformedReply(f"it ended after {len(self._pending)} bytes")
        return NoReply()

    def lost(self) -> ReadFault:
        """The connection has ended."""
        self._read = None
        return ConnectionLost("the panel closed the connection before it replied")

    def _header_fault(
        self, read: Read | None, number: int, protocol: int, length: int
    ) -> MalformedReply | None:
        if protocol:
            return MalformedReply(f"protocol identifier {protocol}, expected 0")
        if not 1 <= number <= self._highest_used:
            return MalformedReply(f"transaction {number}, expected {self._transaction}")
        if not 3 <= length <= 1 + LONGEST_PDU:
            return MalformedReply(f"length {length} in the header")
        if read is not None and length not in (3, 3 + read.payload_length):
            return MalformedReply(
                f"length {length} in the header, expected {3 + read.payload_length}"
            )
        return None

    def _checked(self, read: Read, frame: bytes) -> bytes | ReadFault:
        if len(frame) == self._whole_length and frame.startswith(self._head):
            return frame[9:]
        if frame[6] != read.unit:
            return MalformedReply(f"unit identifier {frame[6]}, expected {read.unit}")
        return exception_or_malformed(read.function, frame[7:])


class RtuReader:
    """Replies in RTU framing; nothing but order and silence tells them apart.

    Attributes:
        broken: True when the line must be silent (or the connection closed) before the next
            request: what was asked may still be answered.
    """

    def __init__(self) -> None:
        self.broken = False
        self._read: Read | None = None
        self._head = b""
        self._whole_length = 0
        self._pending = b""

    def request(self, read: Read) -> bytes:
        """The frame to send; from here on its reply is awaited."""
        frame = struct.pack(">B", read.unit) + request_pdu(read)
        self.broken = False
        self._read = read
        self._pending = b""
        self._head = bytes((read.unit, read.function, read.payload_length))
        self._whole_length = reply_length(read)
        return frame + crc(frame)

    def feed(self, data: bytes) -> Outcome:
        """Take what arrived; whatever arrives unasked for is dropped."""
        read = self._read
        if read is None:
            return None
        received = self._pending = self._pending + data
        if received.startswith(self._head):
            whole_length = self._whole_length
        elif len(received) >= 3:
            whole_length = 5  # if anything, an exception
            if received[0] != read.unit:
                return self._malformed(f"unit identifier {received[0]}, expected {read.unit}")
            if received[1] != read.function | EXCEPTION_BIT:
                return self._malformed(
                    f"'{received[:8].hex(' ')}' does not answer function {read.function}"
                )
        else:
            return None
        if len(received) < whole_length:
            return None
        if len(received) > whole_length:
            return self._malformed(f"{len(received) - whole_length} bytes too many")
        if crc(received[:-2]) != received[-2:]:
            return self._malformed("the check sum (CRC) is wrong")
        self._read = None
        if whole_length == self._whole_length and received.startswith(self._head):
            return received[3:-2]
        fault = exception_or_malformed(read.function, received[1:-2])
        self.broken = not isinstance(fault, ExceptionReply)
        return fault

    def give_up(self) -> ReadFault:
        """The timeout has come."""
        self._read = None
        self.broken = True
        if self._pending:
            return MalformedReply(f"it ended after {len(self._pending)} bytes")
        return NoReply()

    def lost(self) -> ReadFault:
        """The line or the connection has ended."""
        self._read = None
        return ConnectionLost("the line was closed before the panel replied")

    def _malformed(self, text: str) -> ReadFault:
        self._read = None
        self.broken = True
        return MalformedReply(text)


def crc(frame: bytes) -> bytes:
    """The two check bytes of an RTU frame, low byte first as they are sent."""
    return FramerRTU.compute_CRC(frame).to_bytes(2, "big")


# --- serial timing (Modbus over Serial Line V1.02, section 2.5.1.1) -----------------------------

BITS_PER_CHARACTER = 11  # start, 8 data, parity or a second stop bit, stop


def wire_time_s(characters: int, baud: int) -> float:
    """Time that many characters take on the line, in s."""
    return characters * BITS_PER_CHARACTER / baud


def silence_s(baud: int) -> float:
    """Silence between frames, in s: 3.5 characters, and 1.75 ms above 19200 baud."""
    return wire_time_s(1, baud) * 3.5 if baud <= 19200 else 0.00175


def reply_length(read: Read) -> int:
    """Characters of the longest right reply to a read in RTU framing."""
    return REPLY_OVERHEAD + read.payload_length


REQUEST_LENGTH = 8
REPLY_OVERHEAD = 5  # unit, function, byte count and the two check bytes
