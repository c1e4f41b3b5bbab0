"""Which register a point means, in either notation, and what kind of point that makes it.

A protocol address counts from zero within its table. A reference number, as printed in manuals,
counts from one and carries the table in its first digit: 0 coils, 1 discrete inputs, 3 input
registers, 4 holding registers; five digits reach to 9999 in each table, six to 65536. Taking one
for the other is the commonest mistake of commissioning, so ``Register.text`` shows both.

Sources: tables, function codes and the span 0 to 65535 of addresses, counted from zero where the
device counts from one: Modbus Application Protocol V1.1b3, sections 4.3, 4.4 and 6.1 to 6.4. Five
and six digit reference numbers: common practice of printed manuals; the protocol does not have
them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from collector.plant.findings import Finding
from collector.plant.model import REGISTERS_OF_TYPE, Point, RegisterType, Table

ADDRESSES = 65536
FIVE_DIGIT_NUMBERS = 9999

FUNCTION_OF_TABLE: dict[Table, int] = {
    "coil": 1,
    "discrete-input": 2,
    "holding-register": 3,
    "input-register": 4,
}
DIGIT_OF_TABLE: dict[Table, str] = {
    "coil": "0",
    "discrete-input": "1",
    "input-register": "3",
    "holding-register": "4",
}
TABLE_OF_DIGIT: dict[str, Table] = {digit: table for table, digit in DIGIT_OF_TABLE.items()}

PointKind = Literal["contact", "reading", "counter", "enumeration"]


@dataclass(frozen=True, slots=True)
class Register:
    """Where a point's raw figure is read.

    Args:
        table: one of the four tables of Modbus.
        address: zero-based protocol address of the first bit or register.
        length: how many registers the figure takes; 1 for a bit of a bit table.
    """

    table: Table
    address: int
    length: int

    @property
    def function(self) -> int:
        """Function code that reads it: 1, 2, 3 or 4."""
        return FUNCTION_OF_TABLE[self.table]

    @property
    def in_bit_table(self) -> bool:
        """True for coils and discrete inputs, False for registers of 16 bits."""
        return self.function <= 2

    @property
    def reference(self) -> str:
        """The one-based number as manuals print it: five digits up to 9999, six beyond."""
        number = self.address + 1
        width = 4 if number <= FIVE_DIGIT_NUMBERS else 5
        return f"{DIGIT_OF_TABLE[self.table]}{number:0{width}d}"

    @property
    def text(self) -> str:
        """Both notations, for people: ``input-register 12 (30013)``."""
        return f"{self.table} {self.address} ({self.reference})"


def raw_type(point: Point) -> RegisterType:
    """The type of a point's registers: as the file says, or one unsigned register."""
    return point.type if point.type is not None else "uint16"


def point_kind(point: Point) -> PointKind:
    """What a point is: a bit is a contact, ``states`` make an enumeration, ``counter`` a counter.

    Args:
        point: a point of a plant file that passed its checks.

    Returns:
        ``contact``, ``enumeration``, ``counter`` or ``reading``.
    """
    if point.bit is not None or in_bit_table(point):
        return "contact"
    if point.states is not None:
        return "enumeration"
    if point.counter is not None:
        return "counter"
    return "reading"


def in_bit_table(point: Point) -> bool:
    """True where the point, in whichever notation, is a coil or a discrete input."""
    place = _place(point)
    return isinstance(place, tuple) and FUNCTION_OF_TABLE[place[0]] <= 2


def register_of(point: Point) -> Register:
    """The register of a point, from ``table`` and ``address`` or from ``reference``.

    Args:
        point: a point; those of a loaded plant always resolve.

    Raises:
        ValueError: the point gives no register, two of them, or one beyond the table.
    """
    resolved = resolve(point)
    if isinstance(resolved, Finding):
        raise ValueError(f"found {resolved.found}, expected {resolved.expected}")
    return resolved


def resolve(point: Point) -> Register | Finding:
    """The register of a point, or what is wrong with the way it is given (path within it)."""
    place = _place(point)
    if isinstance(place, Finding):
        return place
    table, address = place
    length = 1 if FUNCTION_OF_TABLE[table] <= 2 else REGISTERS_OF_TYPE[raw_type(point)]
    if address + length > ADDRESSES:
        register = Register(table, address, length)
        return Finding(
            ("reference",) if point.reference is not None else ("address",),
            f"{register.text} of {length} registers",
            f"a register that ends at {table} {ADDRESSES - 1}, the last one there is",
        )
    return Register(table, address, length)


def _place(point: Point) -> tuple[Table, int] | Finding:
    if point.reference is not None:
        for other in ("table", "address"):
            if getattr(point, other) is not None:
                return Finding(
                    (other,),
                    f"'{other}' beside 'reference'",
                    "one notation: either 'table' and 'address', or 'reference'",
                    at_key=True,
                )
        return parse_reference(point.reference)
    if point.table is None and point.address is None:
        return Finding(
            (), "no register", "'table' and 'address' (from zero), or 'reference' (from one)"
        )
    if point.table is None:
        return Finding(
            ("address",),
            "'address' without 'table'",
            f"a table too: {', '.join(FUNCTION_OF_TABLE)}",
            at_key=True,
        )
    if point.address is None:
        return Finding(
            ("table",),
            "'table' without 'address'",
            "a zero-based address too, 0 to 65535",
            at_key=True,
        )
    return point.table, point.address


def parse_reference(reference: int | str) -> tuple[Table, int] | Finding:
    """Take a one-based reference number apart.

    Args:
        reference: a number of five or six digits, or the same as text (coils need the text, since
            YAML drops the leading zero of a number).

    Returns:
        The table and the zero-based address, or a finding at ``reference``.
    """
    if isinstance(reference, int):
        if 0 < reference < 10_000:
            return _refused(
                str(reference),
                f"five or six digits; put references of coils in quotes, '{reference:05d}', "
                "since YAML drops leading zeros",
            )
        digits, shown = str(reference), str(reference)
    else:
        digits, shown = reference, f"'{reference}'"
    if not (digits.isascii() and digits.isdigit() and len(digits) in (5, 6)):
        return _refused(shown, "a reference number of five or six digits, such as 30013 or 400108")
    table = TABLE_OF_DIGIT.get(digits[0])
    if table is None:
        return _refused(
            shown,
            "a first digit of 0 (coil), 1 (discrete input), 3 (input register) or "
            "4 (holding register)",
        )
    number = int(digits[1:])
    if number == 0:
        return _refused(shown, "a number from one on; reference numbers do not count from zero")
    if number > ADDRESSES:
        return _refused(shown, f"at most {digits[0]}{ADDRESSES}, the last {table} there is")
    return table, number - 1


def _refused(found: str, expected: str) -> Finding:
    return Finding(("reference",), found, expected)
