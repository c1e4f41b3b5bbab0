"""The registers of a simulated panel, and how figures and contacts are laid into them.

The encoding is this module's own: nothing is shared with whoever reads the registers, so that a
mistake on one side cannot hide behind the same mistake on the other.

Wire format (MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4): bits are packed with the
lowest address in the lowest bit of the first byte; a register is two bytes, high byte first. How
two registers make a 32-bit figure is the maker's choice and stated per figure.

Every table answers only inside its mapped spans; a read that touches anything else is refused
whole. Spans of bit tables begin and end on multiples of 16, as in controllers that keep bits in
words.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

COIL = 1
DISCRETE_INPUT = 2
HOLDING_REGISTER = 3
INPUT_REGISTER = 4
"""Tables, named by the function code that reads them."""

LONGEST_READ = {COIL: 2000, DISCRETE_INPUT: 2000, HOLDING_REGISTER: 125, INPUT_REGISTER: 125}
"""Most bits or registers in one read (same source, quantity of coils and of registers)."""


class Refusal(IntEnum):
    """Exception codes a panel answers with (same source, section 7)."""

    ILLEGAL_FUNCTION = 1
    ILLEGAL_DATA_ADDRESS = 2
    ILLEGAL_DATA_VALUE = 3


@dataclass(frozen=True, slots=True)
class Span:
    """Addresses of one table that exist, ``start`` up to but not including ``end``."""

    function: int
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Contact:
    """Where a contact lies.

    Args:
        name: signal name.
        function: table, by the function code that reads it.
        address: zero-based.
        bit: bit of the register, 0 lowest; None in bit tables.
        normally_closed: wired so that the bit is 1 while the contact is *not* made.
    """

    name: str
    function: int
    address: int
    bit: int | None = None
    normally_closed: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """Where a figure lies and how it is encoded.

    Args:
        name: signal name.
        function: table, by the function code that reads it.
        address: zero-based address of its first register.
        encoding: ``u16``, ``i16``, ``u32`` or ``f32``.
        per_count: value of one count, in the signal's unit; floats use it as rounding step.
        low_word_first: order of the two registers of ``u32`` and ``f32``.
        wraps: True where the figure counts on from zero after its largest value; others stand at
            their limit.
    """

    name: str
    function: int
    address: int
    encoding: str = "u16"
    per_count: float = 1.0
    low_word_first: bool = False
    wraps: bool = False

    @property
    def registers(self) -> int:
        """How many registers it takes."""
        return 1 if self.encoding in ("u16", "i16") else 2

    def encode(self, value: float) -> bytes:
        """The bytes of the registers that hold ``value``."""
        if self.encoding == "f32":
            words = struct.pack(">f", round(value / self.per_count) * self.per_count)
        else:
            raw = round(value / self.per_count)
            if self.encoding == "i16":
                words = struct.pack(">h", max(-0x8000, min(0x7FFF, raw)))
            else:
                most = 0xFFFF if self.encoding == "u16" else 0xFFFFFFFF
                raw = raw & most if self.wraps else max(0, min(most, raw))
                words = struct.pack(">H" if self.encoding == "u16" else ">I", raw)
        if self.low_word_first and len(words) == 4:
            return words[2:] + words[:2]
        return words


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """What a panel offers."""

    unit_identifier: int
    spans: Sequence[Span]
    contacts: Sequence[Contact]
    figures: Sequence[Figure]

    def items(self) -> list[Contact | Figure]:
        """All signals, contacts first."""
        return [*self.contacts, *self.figures]

    def signals(self) -> list[str]:
        """The names of all signals."""
        return [item.name for item in self.items()]


class RegisterImage:
    """The present registers of one panel.

    ``version`` goes up by one with each change of any register.
    """

    def __init__(self, register_map: RegisterMap) -> None:
        self.map = register_map
        self.version = 0
        self._spans: dict[int, list[tuple[int, int]]] = {1: [], 2: [], 3: [], 4: []}
        for span in register_map.spans:
            self._spans[span.function].append((span.start, span.end))
        self._bits = {COIL: 0, DISCRETE_INPUT: 0}
        self._registers = {
            function: bytearray(2 * self.end_of(function))
            for function in (HOLDING_REGISTER, INPUT_REGISTER)
        }
        self._contacts = {contact.name: contact for contact in register_map.contacts}
        self._figures = {figure.name: figure for figure in register_map.figures}
        self._check()
        for contact in register_map.contacts:
            self.set_contact(contact.name, made=False)
        self.version = 0

    def end_of(self, function: int) -> int:
        """First address above everything mapped in a table."""
        return max((end for _, end in self._spans[function]), default=0)

    def _check(self) -> None:
        taken: set[tuple[int, int, int]] = set()
        for item in self.map.items():
            places = (
                [(item.function, item.address, -1 if item.bit is None else item.bit)]
                if isinstance(item, Contact)
                else [(item.function, item.address + k, -1) for k in range(item.registers)]
            )
            for place in places:
                mapped = self.is_mapped(place[0], place[1], 1)
                if place in taken or not mapped:
                    raise ValueError(f"{item.name}: register {place} is taken or not mapped")
                taken.add(place)
        for function in (COIL, DISCRETE_INPUT):
            if any(start % 16 or end % 16 for start, end in self._spans[function]):
                raise ValueError("spans of bit tables begin and end on multiples of 16")

    def is_mapped(self, function: int, start: int, count: int) -> bool:
        """Whether all of ``count`` addresses from ``start`` exist in one span."""
        return any(first <= start and start + count <= end for first, end in self._spans[function])

    def read(self, function: int, start: int, count: int) -> bytes | Refusal:
        """Answer a read as the panel would.

        Args:
            function: 1 coils, 2 discrete inputs, 3 holding registers, 4 input registers.
            start: zero-based address.
            count: bits or registers.

        Returns:
            The data bytes of the reply in wire format, or the exception code.
        """
        if function not in LONGEST_READ:
            return Refusal.ILLEGAL_FUNCTION
        if not 1 <= count <= LONGEST_READ[function]:
            return Refusal.ILLEGAL_DATA_VALUE
        if not self.is_mapped(function, start, count):
            return Refusal.ILLEGAL_DATA_ADDRESS
        if function <= DISCRETE_INPUT:
            bits = (self._bits[function] >> start) & ((1 << count) - 1)
            return bits.to_bytes((count + 7) // 8, "little")
        return bytes(self._registers[function][2 * start : 2 * (start + count)])

    def set_contact(self, name: str, *, made: bool) -> None:
        """Lay a contact into its bit."""
        contact = self._contacts[name]
        is_one = made is not contact.normally_closed
        if contact.bit is None:
            mask = 1 << contact.address
            before = self._bits[contact.function]
            after = before | mask if is_one else before & ~mask
            if after != before:
                self._bits[contact.function] = after
                self.version += 1
            return
        registers = self._registers[contact.function]
        place = 2 * contact.address + (0 if contact.bit >= 8 else 1)
        mask = 1 << (contact.bit & 7)
        old = registers[place]
        new = old | mask if is_one else old & ~mask
        if new != old:
            registers[place] = new
            self.version += 1

    def set_figure(self, name: str, value: float) -> None:
        """Lay a figure into its registers."""
        figure = self._figures[name]
        words = figure.encode(value)
        registers = self._registers[figure.function]
        place = 2 * figure.address
        if registers[place : place + len(words)] != words:
            registers[place : place + len(words)] = words
            self.version += 1

    def has_contact(self, name: str) -> bool:
        """Whether the map has a contact of this name."""
        return name in self._contacts
