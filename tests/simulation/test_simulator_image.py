"""Register images against the examples printed in the Modbus specification and IEEE 754."""

from __future__ import annotations

import pytest

from simulator.image import (
    COIL,
    DISCRETE_INPUT,
    HOLDING_REGISTER,
    INPUT_REGISTER,
    Contact,
    Figure,
    Refusal,
    RegisterImage,
    RegisterMap,
    Span,
)

SPANS = [
    Span(COIL, 0, 48),
    Span(DISCRETE_INPUT, 192, 224),
    Span(HOLDING_REGISTER, 100, 120),
    Span(INPUT_REGISTER, 0, 4),
    Span(INPUT_REGISTER, 8, 12),
]


def image_with(*items: Contact | Figure) -> RegisterImage:
    """An image with the spans above and these signals."""
    contacts = [item for item in items if isinstance(item, Contact)]
    figures = [item for item in items if isinstance(item, Figure)]
    return RegisterImage(RegisterMap(1, SPANS, contacts, figures))


@pytest.mark.parametrize(
    ("function", "first", "count", "reply"),
    [(COIL, 19, 19, "cd6b05"), (DISCRETE_INPUT, 196, 22, "acdb35")],
)
def test_bits_are_packed_as_the_specification_prints_them(
    function: int, first: int, count: int, reply: str
) -> None:
    """Coils 20 to 38 read CD 6B 05, discrete inputs 197 to 218 read AC DB 35.

    Source: MODBUS Application Protocol V1.1b3, examples of sections 6.1 and 6.2.
    """
    printed = {
        "cd6b05": "1100 1101 0110 1011 0000 0101",
        "acdb35": "1010 1100 1101 1011 0011 0101",
    }[reply].replace(" ", "")
    contacts = [Contact(f"c{k}", function, first + k) for k in range(count)]
    image = image_with(*contacts)
    for k in range(count):
        octet = printed[k // 8 * 8 : k // 8 * 8 + 8]
        image.set_contact(f"c{k}", made=octet[7 - k % 8] == "1")
    assert image.read(function, first, count) == bytes.fromhex(reply)


def test_registers_are_laid_out_as_the_specification_prints_them() -> None:
    """Holding registers 108 to 110 with 555, 0, 100 read 02 2B 00 00 00 64; input register 9 with
    10 reads 00 0A.

    Source: MODBUS Application Protocol V1.1b3, examples of sections 6.3 and 6.4.
    """
    image = image_with(
        Figure("a", HOLDING_REGISTER, 107),
        Figure("b", HOLDING_REGISTER, 108),
        Figure("c", HOLDING_REGISTER, 109),
        Figure("d", INPUT_REGISTER, 8),
    )
    for name, value in {"a": 555, "b": 0, "c": 100, "d": 10}.items():
        image.set_figure(name, value)
    assert image.read(HOLDING_REGISTER, 107, 3) == bytes.fromhex("022b00000064")
    assert image.read(INPUT_REGISTER, 8, 1) == bytes.fromhex("000a")


@pytest.mark.parametrize(
    ("figure", "value", "words"),
    [
        # IEEE 754 single precision of 1 and of -118.625: examples in common references.
        (Figure("f", HOLDING_REGISTER, 100, "f32", 0.001), 1.0, "3f800000"),
        (Figure("f", HOLDING_REGISTER, 100, "f32", 0.125), -118.625, "c2ed4000"),
        (Figure("f", HOLDING_REGISTER, 100, "f32", 0.125, True), -118.625, "4000c2ed"),
        # Binary counting, worked by hand: 0x12345678 = 305419896.
        (Figure("f", HOLDING_REGISTER, 100, "u32"), 305419896, "12345678"),
        (Figure("f", HOLDING_REGISTER, 100, "u32", 1.0, True), 305419896, "56781234"),
        (Figure("f", HOLDING_REGISTER, 100, "u32", 0.1, False, True), 429496729.7, "00000001"),
        (Figure("f", HOLDING_REGISTER, 100, "i16", 0.01), -0.02, "fffe"),
        (Figure("f", HOLDING_REGISTER, 100, "i16"), 40000, "7fff"),
        (Figure("f", HOLDING_REGISTER, 100), 70000, "ffff"),
        (Figure("f", HOLDING_REGISTER, 100), -3, "0000"),
        (Figure("f", HOLDING_REGISTER, 100, wraps=True), 65537, "0001"),
    ],
)
def test_figures_are_encoded(figure: Figure, value: float, words: str) -> None:
    """Each encoding gives the words of the standard, in the order the map states; counters start
    again, other figures stand at their limit.
    """
    assert figure.encode(value) == bytes.fromhex(words)


def test_contacts_in_a_register_and_wired_normally_closed() -> None:
    """Bits 0 and 8 of a register are its lowest and the lowest of its high byte; a normally closed
    contact reads 1 while it is not made.
    """
    image = image_with(
        Contact("low", INPUT_REGISTER, 1, bit=0),
        Contact("upper", INPUT_REGISTER, 1, bit=8),
        Contact("closed", INPUT_REGISTER, 1, bit=15, normally_closed=True),
    )
    assert image.read(INPUT_REGISTER, 1, 1) == b"\x80\x00"
    image.set_contact("low", made=True)
    image.set_contact("closed", made=True)
    assert image.read(INPUT_REGISTER, 1, 1) == b"\x00\x01"
    image.set_contact("upper", made=True)
    assert image.read(INPUT_REGISTER, 1, 1) == b"\x01\x01"


@pytest.mark.parametrize(
    ("function", "start", "count", "code"),
    [
        (5, 0, 1, Refusal.ILLEGAL_FUNCTION),
        (16, 0, 1, Refusal.ILLEGAL_FUNCTION),
        (COIL, 0, 0, Refusal.ILLEGAL_DATA_VALUE),
        (COIL, 0, 2001, Refusal.ILLEGAL_DATA_VALUE),
        (HOLDING_REGISTER, 100, 126, Refusal.ILLEGAL_DATA_VALUE),
        (HOLDING_REGISTER, 99, 1, Refusal.ILLEGAL_DATA_ADDRESS),
        (HOLDING_REGISTER, 119, 2, Refusal.ILLEGAL_DATA_ADDRESS),
        (INPUT_REGISTER, 3, 6, Refusal.ILLEGAL_DATA_ADDRESS),
        (DISCRETE_INPUT, 0, 1, Refusal.ILLEGAL_DATA_ADDRESS),
    ],
)
def test_refusals(function: int, start: int, count: int, code: Refusal) -> None:
    """Writes, impossible counts and addresses outside the map are refused with the codes and limits
    of MODBUS Application Protocol V1.1b3, sections 6.1, 6.3 and 7; a hole between two spans is
    refused although both its sides exist.
    """
    assert image_with().read(function, start, count) == code


def test_version_moves_with_every_change_and_only_then() -> None:
    """Setting what is already there leaves the version alone."""
    image = image_with(Contact("c", COIL, 0), Figure("f", HOLDING_REGISTER, 100))
    assert image.version == 0
    image.set_contact("c", made=True)
    image.set_contact("c", made=True)
    image.set_figure("f", 7)
    image.set_figure("f", 7.2)
    assert image.version == 2


def test_a_map_that_overlaps_or_leaves_its_spans_is_refused() -> None:
    """Two figures on one register, or one outside all spans, are a mistake of the map."""
    with pytest.raises(ValueError, match="taken or not mapped"):
        image_with(Figure("a", HOLDING_REGISTER, 100, "u32"), Figure("b", HOLDING_REGISTER, 101))
    with pytest.raises(ValueError, match="taken or not mapped"):
        image_with(Figure("a", HOLDING_REGISTER, 119, "u32"))
