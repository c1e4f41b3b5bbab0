"""Which reads fetch the registers of a panel: the fewest, and among those the shortest.

Every read costs a round trip whatever its length, so fewer reads come first; then fewer data bytes
(what a transaction carries besides is the same for each, whatever the framing). A point is never
split over two reads: the panel may change it between them.

Theory: spans that lie within another are fetched with it. Of the rest, ordered by start, the ends
are ordered too, so that some best plan reads runs of neighbours; the best plan for the first ``i``
spans is the best over its last read (dynamic programme, O(spans times spans in one read)).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from collector.core.scans import Read
from collector.errors import Bug
from collector.plant.model import Panel
from collector.plant.registers import register_of


class Span(NamedTuple):
    """Addresses that belong together: the bits or registers of one point."""

    start: int
    length: int

    @property
    def end(self) -> int:
        """First address behind it."""
        return self.start + self.length


def plan_panel(panel: Panel) -> tuple[Read, ...]:
    """The reads that fetch all points of a panel, by function code and then by address.

    Args:
        panel: a panel of a loaded plant.

    Raises:
        Bug: a point is longer than the panel's largest read (refused when a plant is loaded).
    """
    spans_of: dict[int, list[Span]] = {}
    for point in panel.points.values():
        register = register_of(point)
        spans_of.setdefault(register.function, []).append(Span(register.address, register.length))
    reads: list[Read] = []
    for function, spans in sorted(spans_of.items()):
        bits = function <= 2
        largest, gap = panel.largest_read, panel.bridged_gap
        blocks = plan_blocks(
            spans,
            largest_read=largest.bits if bits else largest.registers,
            bridged_gap=gap.bits if bits else gap.registers,
            bits=bits,
        )
        reads += [Read(panel.unit_identifier, function, *block) for block in blocks]
    return tuple(reads)


def plan_blocks(
    spans: Iterable[Span], largest_read: int, bridged_gap: int, *, bits: bool
) -> list[Span]:
    """The blocks of one table that cover all spans: the fewest, then the fewest data bytes.

    Args:
        spans: needed addresses, in any order; they may repeat and overlap.
        largest_read: most addresses in one block.
        bridged_gap: longest run of addresses nobody needs that a block may span.
        bits: True for the bit tables (8 to a byte), False for registers (2 bytes each).

    Returns:
        Blocks by address; they overlap only where that saves a read. Of equally good plans, the one
        whose last read is longest.

    Raises:
        Bug: a span is longer than ``largest_read``.
    """
    ordered = _outermost(spans)
    for span in ordered:
        if span.length > largest_read:
            raise Bug(f"a point of {span.length} registers, but a read takes {largest_read}")
    # best[i]: (reads, data bytes, first span of the last read) for the first i spans
    best: list[tuple[int, int, int]] = [(0, 0, 0)]
    for last, span in enumerate(ordered):
        choices: list[tuple[int, int, int]] = []
        for first in range(last, -1, -1):
            length = span.end - ordered[first].start
            if length > largest_read or (
                first < last and ordered[first + 1].start - ordered[first].end > bridged_gap
            ):
                break
            reads, data, _ = best[first]
            size = (length + 7) // 8 if bits else 2 * length
            choices.append((reads + 1, data + size, first))
        best.append(min(choices))
    blocks: list[Span] = []
    behind = len(ordered)
    while behind:
        first = best[behind][2]
        start = ordered[first].start
        blocks.append(Span(start, ordered[behind - 1].end - start))
        behind = first
    return blocks[::-1]


def _outermost(spans: Iterable[Span]) -> list[Span]:
    """Spans by start without those that lie within another, so that ends ascend as well."""
    outermost: list[Span] = []
    for span in sorted(set(spans), key=lambda span: (span.start, -span.length)):
        if not outermost or span.end > outermost[-1].end:
            outermost.append(span)
    return outermost
