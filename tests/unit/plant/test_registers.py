"""Registers in either notation mean the same place, and both are shown.

Sources: MODBUS Application Protocol Specification V1.1b3: function codes of sections 6.1 to 6.4 and
the worked requests there (coils 20 to 38, discrete inputs 197 to 218, registers 108 to 110, input
register 9); addresses 0 to 65535 of section 4.4. Reference numbers of five and six digits: common
practice of printed manuals, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.plant.model import Counter, Point, Table
from collector.plant.point_rules import raw_span
from collector.plant.registers import (
    DIGIT_OF_TABLE,
    Register,
    parse_reference,
    point_kind,
    register_of,
)


@pytest.mark.parametrize(
    ("reference", "function", "start_hex"),
    [
        ("00020", 1, "0013"),  # 6.1: "read discrete outputs 20-38", starting address 00 13
        (10197, 2, "00C4"),  # 6.2: "read discrete inputs 197-218", starting address 00 C4
        (40108, 3, "006B"),  # 6.3: "read registers 108-110", starting address 00 6B
        (400108, 3, "006B"),
        (30009, 4, "0008"),  # 6.4: "read input register 9", starting address 00 08
    ],
)
def test_the_worked_requests_of_the_specification(
    reference: int | str, function: int, start_hex: str
) -> None:
    """The number a manual prints gives the function code and starting address the PDU carries."""
    register = register_of(Point(reference=reference))
    assert register.function == function
    assert f"{register.address:04X}" == start_hex


@pytest.mark.parametrize(
    ("table", "address", "text"),
    [
        ("input-register", 12, "input-register 12 (30013)"),
        ("holding-register", 107, "holding-register 107 (40108)"),
        ("coil", 12, "coil 12 (00013)"),
        ("discrete-input", 0, "discrete-input 0 (10001)"),
        ("holding-register", 9998, "holding-register 9998 (49999)"),
        ("holding-register", 9999, "holding-register 9999 (410000)"),
        ("coil", 9999, "coil 9999 (010000)"),
        ("input-register", 65535, "input-register 65535 (365536)"),
    ],
)
def test_both_notations_are_shown(table: Table, address: int, text: str) -> None:
    """Five digits reach to 9999 of a table, six are used beyond; the address counts from zero."""
    assert register_of(Point(table=table, address=address)).text == text


@given(
    table=st.sampled_from(sorted(DIGIT_OF_TABLE)), address=st.integers(min_value=0, max_value=65535)
)
def test_notations_lead_back_to_each_other(table: Table, address: int) -> None:
    """The reference shown for any address, given as a reference, means that address."""
    register = Register(table, address, 1)
    assert parse_reference(register.reference) == (table, address)


@pytest.mark.parametrize(
    ("raw", "length"),
    [("uint16", 1), ("int16", 1), ("uint32", 2), ("int32", 2), ("float32", 2), ("uint64", 4),
     ("int64", 4), ("float64", 4)],
)  # fmt: skip
def test_a_type_takes_as_many_registers_as_its_bits_need(raw: str, length: int) -> None:
    """A register has 16 bits (V1.1b3 section 4.3); a type's name carries its bits."""
    point = Point.model_validate({"reference": 40001, "type": raw})
    assert register_of(point).length == length == int(raw.lstrip("uintfloa")) // 16


def test_a_bit_takes_one() -> None:
    """A coil is one bit; a register of which a bit is picked is one register."""
    assert register_of(Point(table="coil", address=5)).length == 1
    assert register_of(Point(table="holding-register", address=5, bit=3)).length == 1


@pytest.mark.parametrize(
    ("point", "kind"),
    [
        (Point(table="coil", address=0), "contact"),
        (Point(reference="00001"), "contact"),
        (Point(reference=10001), "contact"),
        (Point(reference=30001, bit=15), "contact"),
        (Point(reference=30001, states={0: "off"}), "enumeration"),
        (Point(reference=30001, counter=Counter(modulus=65536)), "counter"),
        (Point(reference=30001), "reading"),
        (Point(reference=40001, type="float32"), "reading"),
    ],
)
def test_what_a_point_is_follows_from_what_it_states(point: Point, kind: str) -> None:
    """Bits are contacts, ``states`` make enumerations, ``counter`` counters, all else readings."""
    assert point_kind(point) == kind


QUOTED = (
    "five or six digits; put references of coils in quotes, '00012', since YAML drops leading zeros"
)
DIGITS = "a reference number of five or six digits, such as 30013 or 400108"


@pytest.mark.parametrize(
    ("point", "found", "expected"),
    [
        (Point(), "no register", "'table' and 'address' (from zero), or 'reference' (from one)"),
        (
            Point(reference=12),
            "12",
            QUOTED,
        ),
        (Point(reference=-30001), "-30001", DIGITS),
        (Point(reference="٤0001"), "'٤0001'", DIGITS),
        (
            Point(reference=465536, type="uint32"),
            "holding-register 65535 (465536) of 2 registers",
            "a register that ends at holding-register 65535, the last one there is",
        ),
    ],
)
def test_a_point_without_a_register_is_a_value_error(
    point: Point, found: str, expected: str
) -> None:
    """Outside a plant file the same sentence comes as a ValueError."""
    with pytest.raises(ValueError, match="found") as refused:
        register_of(point)
    assert str(refused.value) == f"found {found}, expected {expected}"


def test_the_span_of_whole_number_types() -> None:
    """Two's complement: 16 bits hold 0 to 65535 or -32768 to 32767 (general knowledge)."""
    assert raw_span("uint16") == (0, 65535)
    assert raw_span("int16") == (-32768, 32767)
    assert raw_span("uint64") == (0, 18446744073709551615)
