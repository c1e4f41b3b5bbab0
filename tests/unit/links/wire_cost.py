"""What reads cost on the wire, and the least cost of all ways to group points, tried one by one.

Reckoned from the specifications, not from the planner; in bytes, or what takes as long as a byte.

* RTU: 8 characters ask; unit, function, byte count, data and two check bytes answer; the silence
  t3.5 follows each of the two frames: 3.5 characters up to 19200 baud, 1.75 ms above it, at 11 bits
  a character (Modbus over Serial Line V1.02, sections 2.5.1 and 2.5.1.1).
* TCP: 12 bytes ask, 9 and the data answer (Messaging on TCP/IP Implementation Guide V1.0b, section
  3.1.3), and a round trip of a millisecond at 100 Mbit/s (common practice, no source).
* Data: a bit an input or coil, filled up to bytes, and two bytes a register (Application Protocol
  V1.1b3, sections 6.1 to 6.4).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from collector.core.scans import Read
from collector.plant.model import Link, Panel, RtuLink

ROUND_TRIP_BYTES = 12_500
FUNCTION = {"coil": 1, "discrete-input": 2, "holding-register": 3, "input-register": 4}
REGISTERS = {"uint16": 1, "float32": 2, "uint64": 4}
Spot = tuple[int, int]
"""First address of a point, and the first behind it."""


def read_bytes(link: Link, function: int, count: int) -> float:
    """What one read costs."""
    data = -(-count // 8) if function <= 2 else 2 * count
    if not isinstance(link, RtuLink):
        return ROUND_TRIP_BYTES + 12 + 9 + data
    silence = 3.5 if link.baud <= 19200 else 0.00175 * link.baud / 11
    return 8 + 5 + data + 2 * silence


def plan_bytes(link: Link, plan: Iterable[Read]) -> float:
    """What a plan costs."""
    return sum(read_bytes(link, read.function, read.count) for read in plan)


def spots_of(panel: Panel) -> dict[int, list[Spot]]:
    """Where the points of a panel are, by function code, each once."""
    found: dict[int, set[Spot]] = {}
    for point in panel.points.values():
        assert point.table is not None
        assert point.address is not None
        length = REGISTERS[point.type or "uint16"] if point.table.endswith("register") else 1
        spot = (point.address, point.address + length)
        found.setdefault(FUNCTION[point.table], set()).add(spot)
    return {function: sorted(spots) for function, spots in found.items()}


def least_bytes(link: Link, panel: Panel) -> float:
    """What the cheapest of all groupings of the points costs."""
    total = 0.0
    for function, spots in spots_of(panel).items():
        bits = function <= 2
        largest = panel.largest_read.bits if bits else panel.largest_read.registers
        gap = panel.bridged_gap.bits if bits else panel.bridged_gap.registers
        needed = {address for start, end in spots for address in range(start, end)}
        total += min(
            sum(read_bytes(link, function, end - start) for start, end in blocks)
            for blocks in _groupings(spots)
            if all(
                end - start <= largest and _longest_unused(needed, start, end) <= gap
                for start, end in blocks
            )
        )
    return total


def _groupings(spots: Sequence[Spot]) -> Iterator[list[Spot]]:
    """The blocks of every partition of the points into groups."""
    if not spots:
        yield []
        return
    start, end = spots[0]
    for blocks in _groupings(spots[1:]):
        yield [(start, end), *blocks]
        for place, (first, behind) in enumerate(blocks):
            yield [*blocks[:place], (min(start, first), max(end, behind)), *blocks[place + 1 :]]


def _longest_unused(needed: set[int], start: int, end: int) -> int:
    longest = run = 0
    for address in range(start, end):
        run = 0 if address in needed else run + 1
        longest = max(longest, run)
    return longest
