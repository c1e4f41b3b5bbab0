"""From the raw payload of a block to values of points, and which points a changed payload touches.

An unchanged block never comes here. For a changed one the payloads are compared as one big integer
each, so that the cost grows with the changed registers and not with the length of the block.

Sources: Modbus Application Protocol V1.1b3, sections 6.1 to 6.4 (bits packed lowest address in the
lowest bit of the first byte; registers high byte first). The order of the words of a 32 or 64 bit
value is not in the standard; makers differ, so the plant file says it.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from collector.core.records import NO_VALUE, OUT_OF_RANGE, Quality, Value
from collector.core.scans import Read
from collector.errors import Bug
from collector.plant.model import Panel, Point
from collector.plant.registers import Register, point_kind, register_of
from collector.units import UNITS

Raw = int | float
_FORMATS = {
    "uint16": ">H", "int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f",
    "uint64": ">Q", "int64": ">q", "float64": ">d",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a payload says of one point: a value in SI with its quality."""

    value: Value
    quality: Quality = Quality.GOOD
    reason: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PointDecoder:
    """How to read one point out of its block.

    Args:
        name: ``panel.point``.
        kind: contact, reading, counter or enumeration.
        raw: payload to raw figure.
        meaning: raw figure to value and quality.
        deadband: least change worth a record, SI.
        debounce_scans, debounce_us: how long a contact must hold; 1 and 0 for at once.
        longest_silence_us: a record at least this often, or None.
    """

    name: str
    kind: str
    register: Register
    raw: Callable[[bytes], Raw]
    meaning: Callable[[Raw], Decoded]
    deadband: float
    debounce_scans: int
    debounce_us: int
    longest_silence_us: int | None

    def decode(self, payload: bytes) -> Decoded:
        """The point's value in this payload."""
        return self.meaning(self.raw(payload))


class BlockDecoder:
    """The points of one block, found again by the bits or registers that changed."""

    def __init__(self, read: Read, decoders: Sequence[tuple[PointDecoder, int, int]]) -> None:
        """Args: ``decoders`` are triples of decoder, first index and length inside the block."""
        self.read = read
        self.points = tuple(decoder for decoder, _, _ in decoders)
        # A contact table changes bit by bit, a register table 16 bits at a time.
        self._shift = 0 if read.function <= 2 else 4
        self._at: dict[int, list[PointDecoder]] = {}
        for decoder, first, length in decoders:
            for index in range(first, first + length):
                self._at.setdefault(index, []).append(decoder)

    def touched(self, before: bytes, now: bytes) -> list[PointDecoder]:
        """The points whose registers differ between two payloads, each once, in block order."""
        difference = int.from_bytes(before, "little") ^ int.from_bytes(now, "little")
        found: dict[PointDecoder, None] = {}
        shift = self._shift
        width = 1 << shift
        while difference:
            index = ((difference & -difference).bit_length() - 1) >> shift
            for decoder in self._at.get(index, ()):
                found[decoder] = None
            above = (index + 1) * width
            difference = (difference >> above) << above
        return list(found)


def compile_panel(name: str, panel: Panel, plan: Sequence[Read]) -> list[BlockDecoder]:
    """Prepare the decoders of a panel, a block decoder for each read of its plan.

    Raises:
        Bug: a point lies in no block; the planner has not done its work.
    """
    blocks: list[list[tuple[PointDecoder, int, int]]] = [[] for _ in plan]
    for point_name, point in panel.points.items():
        register = register_of(point)
        for position, read in enumerate(plan):
            first = register.address - read.start
            if read.function == register.function and 0 <= first <= read.count - register.length:
                decoder = _point_decoder(f"{name}.{point_name}", panel, point, register, first)
                blocks[position].append((decoder, first, register.length))
                break
        else:
            raise Bug(f"point {name}.{point_name} lies in no block of its panel's plan")
    return [BlockDecoder(read, sorted(found, key=lambda item: item[1]))
            for read, found in zip(plan, blocks, strict=True)]  # fmt: skip


def _point_decoder(
    name: str, panel: Panel, point: Point, register: Register, first: int
) -> PointDecoder:
    kind = point_kind(point)
    unit = UNITS[point.unit] if point.unit else UNITS["1"]
    return PointDecoder(
        name=name,
        kind=kind,
        register=register,
        raw=_raw_reader(panel, point, register, first),
        meaning=_meaning(kind, point),
        # A deadband is a difference: the shift of a unit's zero does not belong to it.
        deadband=(point.deadband or 0.0) * unit.si_factor,
        debounce_scans=point.debounce_scans or 1,
        debounce_us=round((point.debounce_s or 0.0) * 1_000_000),
        longest_silence_us=(
            None if point.longest_silence_s is None else round(point.longest_silence_s * 1_000_000)
        ),
    )


def _raw_reader(
    panel: Panel, point: Point, register: Register, first: int
) -> Callable[[bytes], Raw]:
    """A function from the block's payload to the raw figure of one point."""
    if register.function <= 2:
        byte, mask = first >> 3, 1 << (first & 7)
        return lambda payload: 1 if payload[byte] & mask else 0
    if point.bit is not None:
        # Registers come high byte first, so bits 8 to 15 are in the first of the two bytes.
        byte, mask = 2 * first + (0 if point.bit >= 8 else 1), 1 << (point.bit & 7)
        return lambda payload: 1 if payload[byte] & mask else 0
    unpack = struct.Struct(_FORMATS[point.type or "uint16"]).unpack_from
    start, end = 2 * first, 2 * (first + register.length)
    if (point.word_order or panel.word_order) == "high-first" or register.length == 1:

        def high_first(payload: bytes) -> Raw:
            raw: Raw = unpack(payload, start)[0]
            return raw

        return high_first

    def low_first(payload: bytes) -> Raw:
        words = [payload[at : at + 2] for at in range(start, end, 2)]
        raw: Raw = unpack(b"".join(reversed(words)), 0)[0]
        return raw

    return low_first


def _meaning(kind: str, point: Point) -> Callable[[Raw], Decoded]:
    """A function from the raw figure to a value in SI with its quality."""
    if kind == "contact":
        made = Decoded(not point.inverted)
        broken = Decoded(point.inverted)
        return lambda raw: made if raw else broken
    none = Decoded(None, Quality.BAD, NO_VALUE)
    invalid = frozenset(point.invalid_raw or ())
    if kind == "enumeration":
        states = point.states or {}

        def enumeration(raw: Raw) -> Decoded:
            if raw in invalid:
                return none
            if raw in states:
                return Decoded(int(raw))
            return Decoded(
                int(raw), Quality.UNCERTAIN, f"state {int(raw)} is not in the plant file"
            )

        return enumeration
    return _figure(point, none, invalid)


def _figure(point: Point, none: Decoded, invalid: frozenset[int]) -> Callable[[Raw], Decoded]:
    unit = UNITS[point.unit] if point.unit else UNITS["1"]
    scale = 1.0 if point.scale is None else point.scale
    offset = point.offset or 0.0
    low = -math.inf if point.valid_range is None else point.valid_range.low
    high = math.inf if point.valid_range is None else point.valid_range.high

    def figure(raw: Raw) -> Decoded:
        if raw in invalid:
            return none
        value = raw * scale + offset
        value_si = unit.to_si(value)
        # Not-a-number is in no range either, nor finite.
        if not low <= value <= high or not math.isfinite(value_si):
            return Decoded(None, Quality.BAD, OUT_OF_RANGE)
        return Decoded(value_si)

    return figure
