"""Which reads fetch the registers of a panel: those with the least on the wire.

What a read costs besides its data, which `overhead_bytes` tells:

* On a serial line time is characters. Request and reply have 8 and 5 besides the data, and two
  silences belong to them: one tells the panel that the request has ended, one comes before the next
  request (Modbus over Serial Line V1.02, section 2.5.1.1). That is 20 characters up to 19200 baud:
  a gap of up to 10 unused registers is bridged, where the panel allows it, and a wider one is not.
* On a network a read costs a round trip, and its few bytes nearly nothing: the whole of the longest
  reply takes 0.03 ms at 100 Mbit/s. So the fewest reads come first, then the fewest data bytes.
  RTU over TCP counts as that too; how fast the line behind the server is, nobody tells.

A point is never split over two reads: the panel may change it between them.

Theory: spans that lie within another are fetched with it. Of the rest, ordered by start, the ends
are ordered too, so that some best plan reads runs of neighbours; the best plan for the first ``i``
spans is the best over its last read (dynamic programme, O(spans times spans in one read)).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

from collector.core.scans import Read
from collector.errors import Bug
from collector.links import frames
from collector.plant.model import Link, Panel, RtuLink
from collector.plant.registers import register_of


class Span(NamedTuple):
    """Addresses that belong together: the bits or registers of one point."""

    start: int
    length: int

    @property
    def end(self) -> int:
        """First address behind it."""
        return self.start + self.length


def overhead_bytes(link: Link | None) -> float:
    """What a read costs besides its data, in bytes of data; infinite where it outweighs any data.

    Args:
        link: what the read goes over; None is a network.
    """
    if not isinstance(link, RtuLink):
        return math.inf
    silence = frames.silence_s(link.baud) / frames.wire_time_s(1, link.baud)
    return frames.REQUEST_LENGTH + frames.REPLY_OVERHEAD + 2 * silence


def plan_panel(panel: Panel, link: Link | None = None) -> tuple[Read, ...]:
    """The reads that fetch all points of a panel, by function code and then by address.

    Args:
        panel: a panel of a loaded plant.
        link: the link it is on; without it, a network.

    Raises:
        Bug: a point is longer than the panel's largest read (refused when a plant is loaded).
    """
    overhead = overhead_bytes(link)
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
            overhead=overhead,
        )
        reads += [Read(panel.unit_identifier, function, *block) for block in blocks]
    return tuple(reads)


def plan_blocks(
    spans: Iterable[Span],
    largest_read: int,
    bridged_gap: int,
    *,
    bits: bool,
    overhead: float = math.inf,
) -> list[Span]:
    """The blocks of one table that cover all spans, at the least cost.

    Args:
        spans: needed addresses, in any order; they may repeat and overlap.
        largest_read: most addresses in one block.
        bridged_gap: longest run of addresses nobody needs that a block may span.
        bits: True for the bit tables (8 to a byte), False for registers (2 bytes each).
        overhead: bytes of data that a read costs besides its own; infinite for the fewest reads,
            and the fewest data bytes among those.

    Returns:
        Blocks by address; they overlap only where that saves a read. Of equally good plans, the one
        with fewest reads, and of those the one whose last read is longest.

    Raises:
        Bug: a span is longer than ``largest_read``.
    """
    ordered = _outermost(spans)
    for span in ordered:
        if span.length > largest_read:
            raise Bug(f"a point of {span.length} registers, but a read takes {largest_read}")
    # best[i]: (cost, reads, data bytes, first span of the last read) for the first i spans
    best: list[tuple[float, int, int, int]] = [(0.0, 0, 0, 0)]
    for last, span in enumerate(ordered):
        choices: list[tuple[float, int, int, int]] = []
        for first in range(last, -1, -1):
            length = span.end - ordered[first].start
            if length > largest_read or (
                first < last and ordered[first + 1].start - ordered[first].end > bridged_gap
            ):
                break
            _, reads, data, _ = best[first]
            reads += 1
            data += (length + 7) // 8 if bits else 2 * length
            choices.append((reads * overhead + data, reads, data, first))
        best.append(min(choices))
    blocks: list[Span] = []
    behind = len(ordered)
    while behind:
        first = best[behind][3]
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
