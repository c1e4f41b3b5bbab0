"""Frames against the Modbus specifications, and replies whole, in pieces, damaged and foreign."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.scans import Read
from collector.errors import Bug
from collector.links import frames
from collector.links.faults import (
    EXCEPTION_MEANINGS,
    ExceptionReply,
    MalformedReply,
    NoReply,
    ReadFault,
)
from collector.links.frames import MbapReader, RtuReader

TEN_HOLDING = Read(1, 3, 0, 10)

reads = st.one_of(
    st.builds(Read, st.integers(0, 255), st.sampled_from((1, 2)), st.just(8), st.integers(1, 2000)),
    st.builds(Read, st.integers(0, 255), st.sampled_from((3, 4)), st.just(8), st.integers(1, 125)),
)


def payload_of(read: Read, seed: int = 1) -> bytes:
    """Some data of the right length."""
    return random.Random(seed).randbytes(read.payload_length)


def mbap(transaction: int, unit: int, pdu: bytes, protocol: int = 0) -> bytes:
    """A frame as section 3.1.3 of the TCP/IP implementation guide lays it out."""
    head = transaction.to_bytes(2, "big") + protocol.to_bytes(2, "big")
    return head + (len(pdu) + 1).to_bytes(2, "big") + bytes([unit]) + pdu


def rtu(unit: int, pdu: bytes) -> bytes:
    """An RTU frame, its CRC by the shift register of Serial Line V1.02, appendix B."""
    register = 0xFFFF
    for byte in bytes([unit]) + pdu:
        register ^= byte
        for _ in range(8):
            carry, register = register & 1, register >> 1
            if carry:
                register ^= 0xA001
    return bytes([unit]) + pdu + register.to_bytes(2, "little")


def right_pdu(read: Read, payload: bytes) -> bytes:
    """The reply PDU of sections 6.1 to 6.4: function, byte count, data."""
    return bytes([read.function, len(payload)]) + payload


Feed = Callable[[bytes], frames.Outcome]
Answer = Callable[[bytes], bytes]


def readers(read: Read) -> Iterator[tuple[Feed, Answer]]:
    """Either reader after a request, and the framing of an answer to it."""
    over_tcp = MbapReader()
    number = int.from_bytes(over_tcp.request(read)[:2], "big")
    yield over_tcp.feed, lambda pdu: mbap(number, read.unit, pdu)
    on_line = RtuReader()
    on_line.request(read)
    yield on_line.feed, lambda pdu: rtu(read.unit, pdu)


# --- requests -----------------------------------------------------------------------------------


def test_the_request_for_ten_holding_registers_has_the_crc_of_the_specification() -> None:
    """``01 03 00 00 00 0A`` ends in C5 CD (Serial Line V1.02, 2.5.1.2: low byte first)."""
    assert RtuReader().request(TEN_HOLDING) == bytes.fromhex("01 03 00 00 00 0A C5 CD")


def test_the_example_of_the_protocol_text_is_encoded_as_printed() -> None:
    """Section 6.3's example, registers 108 to 110: request 03 00 6B 00 03."""
    assert frames.request_pdu(Read(1, 3, 0x6B, 3)) == bytes.fromhex("03 00 6B 00 03")


def test_a_tcp_request_counts_unit_and_pdu_as_its_length() -> None:
    """Header: number, protocol 0, length 6 (unit and five bytes of PDU), unit."""
    frame = MbapReader().request(Read(17, 4, 8, 1))
    assert frame == bytes.fromhex("00 01 00 00 00 06 11 04 00 08 00 01")


@pytest.mark.parametrize(
    "read",
    [
        Read(1, 1, 0, 2000),
        Read(1, 2, 63536, 2000),
        Read(1, 3, 0, 125),
        Read(1, 4, 65411, 125),
        Read(1, 3, 65535, 1),
    ],
)
def test_the_largest_reads_of_the_protocol_are_allowed(read: Read) -> None:
    """2000 bits, 125 registers, up to address 65535 (V1.1b3, sections 4.3, 6.1 to 6.4)."""
    assert len(frames.request_pdu(read)) == 5


@pytest.mark.parametrize(
    "read",
    [
        Read(1, 1, 0, 2001),
        Read(1, 3, 0, 126),
        Read(1, 3, 0, 0),
        Read(1, 4, 65535, 2),
        Read(1, 2, -1, 1),
    ],
)
def test_a_read_beyond_the_protocol_is_a_bug(read: Read) -> None:
    """Nothing outside the limits is ever sent."""
    with pytest.raises(Bug):
        frames.request_pdu(read)


def test_transaction_numbers_never_are_zero_and_start_again_after_65535() -> None:
    """Zero is what sloppy gateways answer with, so it must never be ours."""
    reader = MbapReader()
    numbers = [int.from_bytes(reader.request(TEN_HOLDING)[:2], "big") for _ in range(65537)]
    assert numbers[0] == 1
    assert 0 not in numbers
    assert numbers[65534:] == [65535, 1, 2]


# --- serial timing ------------------------------------------------------------------------------


def test_silence_follows_the_serial_line_specification() -> None:
    """3.5 characters of 11 bits up to 19200 baud, 1.75 ms above (V1.02, section 2.5.1.1)."""
    assert frames.silence_s(9600) == pytest.approx(3.5 * 11 / 9600)
    assert frames.silence_s(19200) == pytest.approx(0.002005, abs=1e-6)
    assert frames.silence_s(38400) == frames.silence_s(115200) == 0.00175


@pytest.mark.parametrize(
    ("baud", "count", "ms"),
    [(9600, 10, 45.8), (9600, 125, 309.4), (19200, 10, 22.9), (19200, 125, 154.7)],
)
def test_a_read_takes_at_least_its_characters_and_two_silences(
    baud: int, count: int, ms: float
) -> None:
    """11 (8 + 5 + 2n) / baud + 2 t3.5, from the figures of Serial Line V1.02."""
    characters = frames.REQUEST_LENGTH + frames.reply_length(Read(1, 3, 0, count))
    time_s = frames.wire_time_s(characters, baud) + 2 * frames.silence_s(baud)
    assert 1000 * time_s == pytest.approx(ms, abs=0.05)


# --- right replies ------------------------------------------------------------------------------


@given(reads)
def test_a_right_reply_gives_its_payload_whole_and_bytewise(read: Read) -> None:
    """However the bytes are cut, the payload comes out with the last of them, and only once."""
    payload = payload_of(read)
    for pieces in (False, True):
        for feed, framed in readers(read):
            frame = framed(right_pdu(read, payload))
            cut = [frame[i : i + 1] for i in range(len(frame))] if pieces else [frame]
            assert [feed(piece) for piece in cut] == [None] * (len(cut) - 1) + [payload]


def test_the_reply_printed_in_the_protocol_text_is_read() -> None:
    """Section 6.3's example: 03 06 02 2B 00 00 00 64 is 555, 0 and 100."""
    for feed, framed in readers(Read(1, 3, 0x6B, 3)):
        assert feed(framed(bytes.fromhex("03 06 02 2B 00 00 00 64"))) == bytes.fromhex(
            "02 2B 00 00 00 64"
        )


@pytest.mark.parametrize("code", range(256))
def test_an_exception_is_an_answer_only_with_a_code_the_protocol_defines(code: int) -> None:
    """Codes 01 to 06, 08, 0A, 0B of section 7; any other is noise."""
    defined = code in (1, 2, 3, 4, 5, 6, 8, 10, 11)
    assert defined == (code in EXCEPTION_MEANINGS)
    for feed, framed in readers(TEN_HOLDING):
        outcome = feed(framed(bytes([0x83, code])))
        assert isinstance(outcome, ExceptionReply if defined else MalformedReply)
        if isinstance(outcome, ExceptionReply):
            assert outcome.reason == f"exception {code:02X}"


def test_the_largest_reply_fits_the_largest_pdu() -> None:
    """125 registers make 252 bytes, within the 253 a PDU may have (section 4.1)."""
    read = Read(1, 3, 0, 125)
    assert 2 + read.payload_length <= frames.LONGEST_PDU == 253


# --- wrong replies ------------------------------------------------------------------------------

PAYLOAD = payload_of(TEN_HOLDING)
WRONG_PDUS = {
    "short": right_pdu(TEN_HOLDING, PAYLOAD)[:-1],
    "long": right_pdu(TEN_HOLDING, PAYLOAD) + b"\0",
    "another function": right_pdu(Read(1, 4, 0, 10), PAYLOAD),
    "fewer registers": right_pdu(Read(1, 3, 0, 9), PAYLOAD[:-2]),
    "more registers": right_pdu(Read(1, 3, 0, 11), PAYLOAD + b"\0\0"),
    "an odd byte count": right_pdu(TEN_HOLDING, PAYLOAD[:-1]),
    "a byte count beyond the data": bytes([3, 22]) + PAYLOAD,
    "a byte count below the data": bytes([3, 18]) + PAYLOAD,
    "a byte count of zero": bytes([3, 0]),
    "a write's echo": bytes.fromhex("06 00 00 00 0A"),
    "an exception of another function": bytes([0x84, 2]),
    "an exception without a code": bytes([0x83]),
    "an exception of three bytes": bytes([0x83, 2, 0]),
    "a function nobody knows": bytes([0x64, 20]) + PAYLOAD,
}


@pytest.mark.parametrize("name", WRONG_PDUS)
def test_a_pdu_that_is_not_the_answer_is_never_a_value(name: str) -> None:
    """Well framed, with a right number or check sum, and still no answer to what was asked."""
    for feed, framed in readers(TEN_HOLDING):
        outcome = feed(framed(WRONG_PDUS[name]))
        assert outcome is None or isinstance(outcome, MalformedReply)


def test_another_unit_is_never_taken_for_the_one_asked() -> None:
    """The unit must be ours, zero included, in both framings."""
    for other in (0, 2, 255):
        pdu = right_pdu(TEN_HOLDING, PAYLOAD)
        over_tcp = MbapReader()
        over_tcp.request(TEN_HOLDING)
        assert isinstance(over_tcp.feed(mbap(1, other, pdu)), MalformedReply)
        on_line = RtuReader()
        on_line.request(TEN_HOLDING)
        assert isinstance(on_line.feed(rtu(other, pdu)), MalformedReply)


@pytest.mark.parametrize("number", [0, 2, 3, 65535])
def test_a_transaction_number_never_used_is_malformed_and_breaks_the_stream(number: int) -> None:
    """Zero, or a number from the future: the other side does not keep numbers."""
    reader = MbapReader()
    reader.request(TEN_HOLDING)
    outcome = reader.feed(mbap(number, 1, right_pdu(TEN_HOLDING, PAYLOAD)))
    assert isinstance(outcome, MalformedReply)
    assert reader.broken


def test_a_late_reply_over_tcp_is_dropped_and_the_right_one_still_read() -> None:
    """The late one carries the number of a request that was given up, in one segment or two."""
    late, right = payload_of(TEN_HOLDING, 2), payload_of(TEN_HOLDING, 3)
    for together in (True, False):
        reader = MbapReader()
        reader.request(TEN_HOLDING)
        assert isinstance(reader.give_up(), NoReply)
        reader.request(TEN_HOLDING)
        first = mbap(1, 1, right_pdu(TEN_HOLDING, late))
        second = mbap(2, 1, right_pdu(TEN_HOLDING, right))
        got = [reader.feed(first + second)] if together else [*map(reader.feed, (first, second))]
        assert got[-1] == right
        assert got[:-1] in ([], [None])
        assert not reader.broken


def test_a_repeated_reply_over_tcp_is_dropped() -> None:
    """The answer counts once; its twin changes nothing, now or for the next request."""
    reader = MbapReader()
    reader.request(TEN_HOLDING)
    twin = mbap(1, 1, right_pdu(TEN_HOLDING, PAYLOAD))
    assert reader.feed(twin + twin) == PAYLOAD
    reader.request(TEN_HOLDING)
    assert reader.feed(twin) is None
    assert not reader.broken


@pytest.mark.parametrize("rubbish", [b"\0", b"\xde\xad\xbe\xef\xde\xad\xbe"])
def test_rubbish_behind_a_right_reply_makes_it_malformed(rubbish: bytes) -> None:
    """A panel sends one frame for each request; where more comes, its own bounds are in doubt."""
    over_tcp = MbapReader()
    over_tcp.request(TEN_HOLDING)
    pdu = right_pdu(TEN_HOLDING, PAYLOAD)
    assert isinstance(over_tcp.feed(mbap(1, 1, pdu) + rubbish), MalformedReply)
    on_line = RtuReader()
    on_line.request(TEN_HOLDING)
    assert isinstance(on_line.feed(rtu(1, pdu) + rubbish), MalformedReply)
    assert over_tcp.broken
    assert on_line.broken


def test_rubbish_before_a_reply_is_malformed() -> None:
    """Nothing is searched for behind rubbish: what looks like a reply in it may be none."""
    for feed, framed in readers(TEN_HOLDING):
        outcome = feed(b"\xff\xff\xff\xff\xff\xff\xff" + framed(right_pdu(TEN_HOLDING, PAYLOAD)))
        assert isinstance(outcome, MalformedReply)


def test_two_rtu_replies_in_one_piece_are_malformed() -> None:
    """Without silence between them they are one wrong frame (Serial Line V1.02, 2.5.1.1)."""
    reader = RtuReader()
    reader.request(TEN_HOLDING)
    frame = rtu(1, right_pdu(TEN_HOLDING, PAYLOAD))
    assert isinstance(reader.feed(frame + frame), MalformedReply)
    assert reader.broken


def test_a_reply_cut_short_is_malformed_when_the_timeout_comes() -> None:
    """Something came, but not all of it: that is told apart from silence."""
    for reader in (MbapReader(), RtuReader()):
        reader.request(TEN_HOLDING)
        assert reader.feed(b"\x00\x01\x00\x00" if isinstance(reader, MbapReader) else b"\1") is None
        assert isinstance(reader.give_up(), MalformedReply)
        assert reader.broken


def damaged(frame: bytes, edits: list[tuple[str, int, int]], reach: int) -> bytes:
    """A frame with bits flipped, bytes lost, added, doubled or cut in its first ``reach`` bytes."""
    result = bytearray(frame)
    for edit, where, mask in edits:
        at = where % max(1, min(reach, len(result)))
        if edit == "flip":
            result[at : at + 1] = bytes(byte ^ mask for byte in result[at : at + 1])
        elif edit == "drop":
            del result[at : at + 1]
        elif edit == "insert":
            result.insert(at, mask)
        elif edit == "double":
            result[at:at] = result[at : at + 2]
        else:
            del result[at:]
    return bytes(result)


edit_lists = st.lists(
    st.tuples(
        st.sampled_from(("flip", "drop", "insert", "double", "cut")),
        st.integers(0, 2000),
        st.integers(1, 255),
    ),
    min_size=1,
    max_size=4,
)


# Always the same examples: one damaged frame in 65536 has a right CRC by chance.
@settings(derandomize=True, max_examples=500)
@given(reads, edit_lists, st.booleans())
def test_a_damaged_rtu_reply_is_never_a_value_but_the_truth(
    read: Read, edits: list[tuple[str, int, int]], bytewise: bool
) -> None:
    """The CRC guards every byte of it: the truth, a fault, or waiting for more."""
    truth = payload_of(read, 4)
    frame = rtu(read.unit, right_pdu(read, truth))
    sent = damaged(frame, edits, len(frame))
    reader = RtuReader()
    reader.request(read)
    for piece in [sent[i : i + 1] for i in range(len(sent))] if bytewise else [sent]:
        outcome = reader.feed(piece)
        assert outcome is None or isinstance(outcome, ReadFault) or outcome == truth


@given(reads, edit_lists)
def test_a_tcp_reply_damaged_in_its_structure_is_never_a_value_but_the_truth(
    read: Read, edits: list[tuple[str, int, int]]
) -> None:
    """Header, unit, function and byte count are compared; the data behind them only TCP guards."""
    truth = payload_of(read, 5)
    reader = MbapReader()
    reader.request(read)
    outcome = reader.feed(damaged(mbap(1, read.unit, right_pdu(read, truth)), edits, 9))
    assert outcome is None or isinstance(outcome, ReadFault) or outcome == truth
