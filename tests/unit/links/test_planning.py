"""Block planning: the limits are the protocol's, the optimum is that of an exhaustive search."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.scans import Read
from collector.errors import Bug
from collector.links.planning import Span, plan_blocks, plan_panel
from collector.plant.model import BridgedGap, LargestRead, Panel, Point

spans_strategy = st.lists(
    st.builds(Span, st.integers(0, 40), st.integers(1, 4)), min_size=1, max_size=7
)


def data_bytes(blocks: Sequence[Span], bits: bool) -> int:
    """Bytes of data the replies carry (Application Protocol V1.1b3, sections 6.1 and 6.3)."""
    return sum((block.length + 7) // 8 if bits else 2 * block.length for block in blocks)


def allowed(group: Sequence[Span], largest_read: int, bridged_gap: int) -> Span | None:
    """The block that fetches a group of spans at once, or None where the limits forbid it."""
    needed = {address for span in group for address in range(span.start, span.end)}
    block = Span(min(needed), max(needed) + 1 - min(needed))
    unused = "".join("." if a in needed else "u" for a in range(block.start, block.end))
    longest_unused = max(map(len, unused.split(".")))
    if block.length > largest_read or longest_unused > bridged_gap:
        return None
    return block


def every_partition(spans: list[Span]) -> list[list[list[Span]]]:
    """All ways to put spans into groups."""
    if not spans:
        return [[]]
    first, rest = spans[0], spans[1:]
    found = []
    for partition in every_partition(rest):
        found.append([[first], *partition])
        for place in range(len(partition)):
            found.append([*partition[:place], [first, *partition[place]], *partition[place + 1 :]])
    return found


@given(spans_strategy, st.integers(4, 20), st.integers(0, 6), st.booleans())
def test_no_grouping_of_the_points_needs_fewer_reads_or_bytes(
    spans: list[Span], largest_read: int, bridged_gap: int, bits: bool
) -> None:
    """Of all groupings, tried one by one, none has fewer reads, nor as many with fewer bytes."""
    best: tuple[int, int] | None = None
    for partition in every_partition(list(set(spans))):
        blocks = [allowed(group, largest_read, bridged_gap) for group in partition]
        if all(blocks):
            cost = (len(blocks), data_bytes([b for b in blocks if b], bits))
            best = cost if best is None else min(best, cost)
    planned = plan_blocks(spans, largest_read, bridged_gap, bits=bits)
    assert (len(planned), data_bytes(planned, bits)) == best


@given(spans_strategy, st.integers(4, 20), st.integers(0, 6), st.booleans())
def test_every_point_lies_whole_in_one_block_within_the_limits(
    spans: list[Span], largest_read: int, bridged_gap: int, bits: bool
) -> None:
    """No point is split, no block is too long, no gap too wide."""
    blocks = plan_blocks(spans, largest_read, bridged_gap, bits=bits)
    for span in spans:
        assert any(block.start <= span.start and span.end <= block.end for block in blocks)
    for block in blocks:
        inside = [s for s in spans if block.start <= s.start and s.end <= block.end]
        assert allowed(inside, largest_read, bridged_gap) == block


def test_125_registers_are_one_read_and_126_are_two() -> None:
    """At most 125 registers in a read (Application Protocol V1.1b3, section 6.3)."""
    spans = [Span(address, 1) for address in range(126)]
    assert plan_blocks(spans[:125], 125, 0, bits=False) == [Span(0, 125)]
    assert len(plan_blocks(spans, 125, 0, bits=False)) == 2


def test_2000_bits_are_one_read_and_2001_are_two() -> None:
    """At most 2000 bits in a read (Application Protocol V1.1b3, section 6.1)."""
    spans = [Span(address, 1) for address in range(2001)]
    assert plan_blocks(spans[:2000], 2000, 0, bits=True) == [Span(0, 2000)]
    assert len(plan_blocks(spans, 2000, 0, bits=True)) == 2


def test_overlapping_points_longer_than_a_read_together_are_read_twice() -> None:
    """Addresses 0 to 2 and 2 to 4 with reads of three: two reads that share an address."""
    assert plan_blocks([Span(0, 3), Span(2, 3)], 3, 0, bits=False) == [Span(0, 3), Span(2, 3)]


def test_a_point_longer_than_the_largest_read_is_a_bug() -> None:
    """A plant file that asks for it is refused when it is loaded."""
    with pytest.raises(Bug, match="a point of 4 registers, but a read takes 2"):
        plan_blocks([Span(0, 4)], 2, 0, bits=False)


def test_a_panel_is_planned_table_by_table_with_its_own_limits() -> None:
    """Each table has its function code, and bits and registers their own limits and gaps."""
    panel = Panel(
        link="works",
        unit_identifier=7,
        largest_read=LargestRead(bits=16, registers=4),
        bridged_gap=BridgedGap(bits=3, registers=1),
        points={
            "a": Point(table="coil", address=0),
            "b": Point(table="coil", address=4),
            "c": Point(table="coil", address=16),
            "d": Point(reference=10001),
            "e": Point(table="input-register", address=10, type="float32"),
            "f": Point(reference=30014),
            "g": Point(table="holding-register", address=0, bit=3),
            "h": Point(table="holding-register", address=0, bit=4),
        },
    )
    assert plan_panel(panel) == (
        Read(7, 1, 0, 5),
        Read(7, 1, 16, 1),
        Read(7, 2, 0, 1),
        Read(7, 3, 0, 1),
        Read(7, 4, 10, 4),
    )


def test_the_plan_does_not_depend_on_the_order_of_the_points() -> None:
    """The same points in another order are the same reads, so that a restart can compare them."""
    spans = [Span(0, 2), Span(3, 1), Span(5, 2), Span(12, 4)]
    plans = {tuple(plan_blocks(order, 6, 2, bits=False)) for order in itertools.permutations(spans)}
    assert len(plans) == 1
