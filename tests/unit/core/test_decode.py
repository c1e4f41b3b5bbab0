"""What a payload says of a point.

References: Modbus Application Protocol V1.1b3, the example replies of sections 6.1 to 6.4 (figures
from memory); Python's ``struct`` for the layout of numbers; IEEE 754 for what is no number; UCUM
for units (its definitions of bar, Cel, min).
"""

from __future__ import annotations

import math
import struct
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.decode import Decoded, compile_panel
from collector.core.records import NO_VALUE, OUT_OF_RANGE, Quality
from collector.core.scans import Read
from collector.errors import Bug
from tests.unit.core.scans_for_tests import COIL, HOLDING, INPUT, REGISTER, a_panel

BAD_RANGE = Decoded(None, Quality.BAD, OUT_OF_RANGE)
TABLES = {COIL: "coil", INPUT: "discrete-input", HOLDING: "holding-register",
          REGISTER: "input-register"}  # fmt: skip
FORMATS = {"uint16": "H", "int16": "h", "uint32": "I", "int32": "i", "float32": "f",
           "uint64": "Q", "int64": "q", "float64": "d"}  # fmt: skip


def decoded(read: Read, payload: bytes, points: dict[str, dict[str, Any]], **panel: Any) -> Any:
    """Values of all points of one block, by name."""
    (block,) = compile_panel("p", a_panel(points, **panel), [read])
    assert len(payload) == read.payload_length
    return {point.name.removeprefix("p."): point.decode(payload) for point in block.points}


def reading(raw: bytes, **point: Any) -> Decoded:
    """The value of one point whose registers are ``raw``."""
    at = {"table": "holding-register", "address": 0}
    (value,) = decoded(Read(1, HOLDING, 0, len(raw) // 2), raw, {"x": at | point}).values()
    assert isinstance(value, Decoded)
    return value


# --- the standard's own examples ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("function", "first", "count", "payload", "made"),
    [
        # Section 6.1: coils 20 to 38. CD: coils 27..20 = 1100 1101; 6B: 35..28 = 0110 1011;
        # 05: 38..36 = 101.
        (COIL, 20, 19, "CD6B05", {20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38}),
        # Section 6.2: inputs 197 to 218. AC: 204..197 = 1010 1100; DB: 212..205 = 1101 1011;
        # 35: 218..213 = 11 0101.
        (INPUT, 197, 22, "ACDB35",
         {199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218}),
    ],
)  # fmt: skip
def test_the_standards_bits(
    function: int, first: int, count: int, payload: str, made: set[int]
) -> None:
    """Sections 6.1 and 6.2: numbers count from one, addresses from zero, lowest bit first."""
    points = {
        f"number_{number}": {"table": TABLES[function], "address": number - 1}
        for number in range(first, first + count)
    }
    values = decoded(Read(1, function, first - 1, count), bytes.fromhex(payload), points)
    assert {int(name[7:]) for name, value in values.items() if value.value is True} == made
    assert len(values) == count
    assert {value.quality for value in values.values()} == {Quality.GOOD}


def test_the_standards_registers() -> None:
    """Section 6.3: registers 108 to 110 of 02 2B 00 00 00 64 hold 555, 0 and 100; section 6.4:
    input register 9 of 00 0A holds 10."""
    points = {f"r{number}": {"reference": 40000 + number} for number in (108, 109, 110)}
    values = decoded(Read(1, HOLDING, 107, 3), bytes.fromhex("022B00000064"), points)
    assert {name: value.value for name, value in values.items()} == {
        "r108": 555.0, "r109": 0.0, "r110": 100.0,
    }  # fmt: skip
    nine = decoded(Read(1, REGISTER, 8, 1), bytes.fromhex("000A"), {"r9": {"reference": 30009}})
    assert nine["r9"] == Decoded(10.0)


# --- numbers ------------------------------------------------------------------------------------


@given(st.data())
def test_every_type_and_word_order_reads_back_what_was_packed(data: st.DataObject) -> None:
    """``struct`` big-endian is high word first; reversing its words is low word first. The value is
    the float nearest to the number."""
    name = data.draw(st.sampled_from(sorted(FORMATS)))
    order = data.draw(st.sampled_from(["high-first", "low-first"]))
    by_panel = data.draw(st.booleans())
    offset = data.draw(st.integers(0, 5))
    if name.startswith("float"):
        width: Literal[32, 64] = 32 if name == "float32" else 64
        number: float = data.draw(st.floats(-(2.0**127), 2.0**127, width=width))
    else:
        bits = int(name.lstrip("uint"))
        low = 0 if name[0] == "u" else -(2 ** (bits - 1))
        number = data.draw(st.integers(low, low + 2**bits - 1))
    raw = struct.pack(">" + FORMATS[name], number)
    words = [raw[at : at + 2] for at in range(0, len(raw), 2)]
    if order == "low-first":
        words.reverse()
    payload = b"\xa5\x5a" * offset + b"".join(words) + b"\xff\xff"
    point = {"table": "input-register", "address": 1000 + offset, "type": name}
    panel = {"word_order": order} if by_panel else {}
    if not by_panel and len(words) > 1:
        point["word_order"] = order
    read = Read(9, REGISTER, 1000, len(payload) // 2)
    (value,) = decoded(read, payload, {"x": point}, **panel).values()
    assert value == Decoded(float(number))


def test_a_points_word_order_goes_before_its_panels() -> None:
    """Makers mix them: 1 in low-first words is 65536 in high-first ones."""
    payload = bytes.fromhex("0001 0000 0001 0000")
    points = {
        "own": {"table": "holding-register", "address": 0, "type": "uint32",
                "word_order": "high-first"},
        "panels": {"table": "holding-register", "address": 2, "type": "uint32"},
    }  # fmt: skip
    values = decoded(Read(1, HOLDING, 0, 4), payload, points, word_order="low-first")
    assert (values["own"].value, values["panels"].value) == (65536.0, 1.0)


@pytest.mark.parametrize("bit", range(16))
@pytest.mark.parametrize("inverted", [False, True])
def test_each_bit_of_a_register_is_one_contact(bit: int, inverted: bool) -> None:
    """Bit n is worth 2 to the n of the register's number; inverted says the opposite."""
    point = {"table": "holding-register", "address": 0, "bit": bit, "inverted": inverted}
    for number in (1 << bit, 0xFFFF ^ (1 << bit), 0, 0xFFFF):
        raw = struct.pack(">H", number)
        expected = bool(number >> bit & 1) is not inverted
        (value,) = decoded(Read(1, HOLDING, 0, 1), raw, {"x": point}).values()
        assert value == Decoded(expected)
        assert value.value is expected


@pytest.mark.parametrize("function", [COIL, INPUT])
def test_an_inverted_contact_of_a_bit_table(function: int) -> None:
    """Wired normally closed, an open circuit is a made contact: a cut cable raises the alarm."""
    points = {"high": {"table": TABLES[function], "address": 11, "inverted": True}}
    assert decoded(Read(1, function, 10, 2), b"\x00", points) == {"high": Decoded(True)}
    assert decoded(Read(1, function, 10, 2), b"\x02", points) == {"high": Decoded(False)}


@pytest.mark.parametrize(
    ("raw", "point", "value_si"),
    [
        # value = raw * scale + offset in the unit, then SI. Factors by UCUM.
        (400, {"scale": 0.1, "offset": -5.0, "unit": "Cel"}, 308.15),  # 35 Cel = 308.15 K
        (2503, {"scale": 0.001, "unit": "bar"}, 250_300.0),  # 1 bar = 100 kPa
        (1234, {"scale": 1.0, "unit": "mm"}, 1.234),
        (36, {"unit": "m3/h"}, 0.01),
        (90, {"unit": "min"}, 5400.0),
        (55, {"unit": "%"}, 0.55),
        (7, {}, 7.0),
        (65535, {"type": "int16", "scale": -2.0}, 2.0),
    ],
)
def test_scale_offset_and_unit(raw: int, point: dict[str, Any], value_si: float) -> None:
    """A raw figure becomes a value in the SI unit of its kind."""
    value = reading(struct.pack(">H", raw), **point)
    assert value.value == pytest.approx(value_si, rel=1e-12)
    assert isinstance(value.value, float)
    assert value.quality is Quality.GOOD


def test_a_deadband_is_a_difference_and_has_no_zero() -> None:
    """Half a degree Celsius is half a kelvin, not 273.65."""
    panel = a_panel({"t": {"table": "holding-register", "address": 0, "unit": "Cel",
                           "deadband": 0.5}})  # fmt: skip
    (block,) = compile_panel("p", panel, [Read(1, HOLDING, 0, 1)])
    assert block.points[0].deadband == 0.5


# --- what is no value ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["float32", "float64"])
@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_no_value(name: str, number: float) -> None:
    """IEEE 754 not-a-number and infinities never become values, with or without a range."""
    raw = struct.pack(">" + FORMATS[name], number)
    assert reading(raw, type=name) == BAD_RANGE
    assert reading(raw, type=name, valid_range={"low": -1e9, "high": 1e9}) == BAD_RANGE


@pytest.mark.parametrize("point", [{"scale": 1e10}, {"unit": "bar"}])
def test_a_figure_too_large_for_its_unit_is_no_value(point: dict[str, Any]) -> None:
    """A finite raw figure whose value in SI overflows is out of range, not infinite."""
    assert reading(struct.pack(">d", 1.7e308), type="float64", **point) == BAD_RANGE


@pytest.mark.parametrize(
    ("raw", "good"), [(99, False), (100, True), (101, True), (300, True), (301, False)]
)
def test_a_range_is_closed_and_in_the_points_unit(raw: int, good: bool) -> None:
    """10.0 and 30.0 A are still possible, 9.9 and 30.1 are not."""
    value = reading(
        struct.pack(">H", raw), scale=0.1, unit="A", valid_range={"low": 10.0, "high": 30.0}
    )
    assert (value.quality is Quality.GOOD) is good
    assert value == (Decoded(raw * 0.1) if good else BAD_RANGE)


def test_raw_figures_that_mean_no_value() -> None:
    """The panel's own sign for "sensor missing" is its word, and goes before the range."""
    point = {"type": "int16", "invalid_raw": [-32768, 0x7FFF],
             "valid_range": {"low": 0.0, "high": 1.0}}  # fmt: skip
    for raw in (-32768, 32767):
        value = reading(struct.pack(">h", raw), **point)
        assert value == Decoded(None, Quality.BAD, NO_VALUE)
    assert reading(struct.pack(">h", 1), **point) == Decoded(1.0)


def test_enumerations() -> None:
    """A figure with a word is good; one without is kept and doubted, so that nothing is lost."""
    point = {"states": {0: "off", 1: "hand", 2: "auto"}, "invalid_raw": [9]}
    assert reading(b"\x00\x02", **point) == Decoded(2)
    assert reading(b"\x00\x03", **point) == Decoded(
        3, Quality.UNCERTAIN, "state 3 is not in the plant file"
    )
    assert reading(b"\x00\x09", **point) == Decoded(None, Quality.BAD, NO_VALUE)
    assert type(reading(b"\x00\x01", **point).value) is int


# --- what a changed payload touches -------------------------------------------------------------


def test_a_point_outside_every_block_is_a_mistake_of_ours() -> None:
    """The planner covers every point, or the program stops."""
    panel = a_panel({"x": {"table": "holding-register", "address": 9, "type": "uint32"}})
    with pytest.raises(Bug, match=r"p\.x"):
        compile_panel("p", panel, [Read(1, HOLDING, 0, 10)])


def test_points_of_two_blocks_of_one_table() -> None:
    """Each point belongs to the block that holds all of it, overlap or not."""
    panel = a_panel({
        "a": {"table": "holding-register", "address": 3, "type": "uint32"},
        "b": {"table": "holding-register", "address": 5, "type": "uint32"},
    })  # fmt: skip
    first, second = compile_panel("p", panel, [Read(1, HOLDING, 0, 6), Read(1, HOLDING, 4, 6)])
    assert [point.name for point in first.points] == ["p.a"]
    assert [point.name for point in second.points] == ["p.b"]


@given(st.data())
def test_touched_is_what_comparing_every_point_would_find(data: st.DataObject) -> None:
    """The points whose own bits or registers differ, each once, by address; the padding of the last
    byte, which no point owns, touches none (section 6.1 pads with zeros, makers may not)."""
    function = data.draw(st.sampled_from([COIL, INPUT, HOLDING, REGISTER]))
    count = data.draw(st.integers(1, 40))
    bits = function <= 2
    widths = {"uint16": 1, "int32": 2, "float64": 4}
    points: dict[str, dict[str, Any]] = {}
    spans: dict[str, tuple[int, int]] = {}
    for place in range(data.draw(st.integers(1, 12))):
        kind = "uint16" if bits else data.draw(st.sampled_from(sorted(widths)))
        width = min(widths[kind], count)
        kind = kind if width == widths[kind] else "uint16"
        width = widths[kind]
        address = data.draw(st.integers(0, count - width))
        points[f"x{place}"] = {"table": TABLES[function], "address": address}
        if not bits:
            points[f"x{place}"]["type"] = kind
        spans[f"x{place}"] = (address, width)
    read = Read(1, function, 0, count)
    before = data.draw(st.binary(min_size=read.payload_length, max_size=read.payload_length))
    flipped = bytearray(before)
    for position in data.draw(st.lists(st.integers(0, 8 * len(before) - 1), max_size=6)):
        flipped[position // 8] ^= 1 << position % 8
    now = bytes(flipped)
    (block,) = compile_panel("p", a_panel(points), [read])

    def own(payload: bytes, name: str) -> object:
        address, width = spans[name]
        if bits:
            return payload[address // 8] >> (address % 8) & 1
        return payload[2 * address : 2 * (address + width)]

    expected = {f"p.{name}" for name in points if own(before, name) != own(now, name)}
    touched = block.touched(before, now)
    assert [point.name for point in touched] == [
        point.name for point in block.points if point.name in expected
    ]
    assert [spans[point.name[2:]][0] for point in touched] == sorted(
        spans[point.name[2:]][0] for point in touched
    )
