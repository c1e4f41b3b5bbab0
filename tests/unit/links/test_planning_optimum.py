"""No grouping of the points costs less on the wire than the planned one, on any kind of link.

Costs and exhaustive search are in ``wire_cost.py``, with their sources.
"""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.links.planning import plan_panel
from collector.plant.model import (
    BridgedGap,
    LargestRead,
    Link,
    Panel,
    Point,
    RtuLink,
    RtuOverTcpLink,
    TcpLink,
)
from tests.unit.links.wire_cost import FUNCTION, REGISTERS, least_bytes, plan_bytes, spots_of

LINKS: dict[str, Link] = {
    "tcp": TcpLink(kind="tcp", host="127.0.0.1"),
    "rtu-over-tcp": RtuOverTcpLink(kind="rtu-over-tcp", host="127.0.0.1"),
    "9600": RtuLink(kind="rtu", device="/dev/ttyS0", baud=9600),
    "19200": RtuLink(kind="rtu", device="/dev/ttyS0", baud=19200),
    "38400": RtuLink(kind="rtu", device="/dev/ttyS0", baud=38400),
    "115200": RtuLink(kind="rtu", device="/dev/ttyS0", baud=115200),
}
every_link = pytest.mark.parametrize("link", LINKS.values(), ids=LINKS)


def a_panel(
    places: list[tuple[str, int, str]], largest: tuple[int, int], gap: tuple[int, int]
) -> Panel:
    """A panel of points (table, address, type), with limits for bits and registers."""
    return Panel(
        link="works",
        largest_read=LargestRead(bits=largest[0], registers=largest[1]),
        bridged_gap=BridgedGap(bits=gap[0], registers=gap[1]),
        points={
            f"p{n}": Point.model_validate(
                {"table": table, "address": address}
                | ({"type": kind} if table.endswith("register") else {})
            )
            for n, (table, address, kind) in enumerate(places)
        },
    )


place = st.one_of(
    st.tuples(st.sampled_from(["coil"]), st.integers(0, 900), st.just("")),
    st.tuples(
        st.sampled_from(["input-register", "holding-register"]),
        st.integers(0, 90),
        st.sampled_from(list(REGISTERS)),
    ),
)
panels = st.builds(
    a_panel,
    st.lists(place, min_size=1, max_size=7),
    st.tuples(st.integers(8, 800), st.integers(4, 80)),
    st.tuples(st.integers(0, 500), st.integers(0, 60)),
)


@every_link
@settings(max_examples=60)
@given(panel=panels)
def test_no_grouping_of_the_points_costs_less(link: Link, panel: Panel) -> None:
    """Of all groupings of up to seven points over three tables, the planned one costs least."""
    assert plan_bytes(link, plan_panel(panel, link)) == pytest.approx(least_bytes(link, panel))


@pytest.mark.parametrize("link", [LINKS["9600"], LINKS["115200"], LINKS["tcp"]])
def test_no_grouping_of_nine_points_of_one_table_costs_less(link: Link) -> None:
    """The same of nine points close together: 21 147 groupings each, the ninth Bell number."""
    chance = Random(8)
    for table, width in (("discrete-input", 700), ("input-register", 70)):
        kinds = list(REGISTERS)
        spots = chance.sample(range(width), 9)
        panel = a_panel(
            [(table, address, chance.choice(kinds)) for address in spots], (400, 50), (300, 40)
        )
        assert plan_bytes(link, plan_panel(panel, link)) == pytest.approx(least_bytes(link, panel))


@every_link
@settings(max_examples=60)
@given(panel=panels)
def test_every_point_is_read_whole_and_within_the_limits(link: Link, panel: Panel) -> None:
    """A value of 32 or 64 bits is never split over two reads; no read is longer than allowed."""
    plan = plan_panel(panel, link)
    for function, spots in spots_of(panel).items():
        reads = [read for read in plan if read.function == function]
        for start, end in spots:
            assert any(r.start <= start and end <= r.start + r.count for r in reads)
        largest = panel.largest_read.bits if function <= 2 else panel.largest_read.registers
        assert all(read.count <= largest for read in reads)
    assert {read.function for read in plan} <= set(FUNCTION.values())


@pytest.mark.parametrize(
    ("link", "widest"),
    [("9600", 10), ("19200", 10), ("38400", 12), ("115200", 24), ("tcp", 100)],
)
def test_a_gap_is_bridged_where_that_is_shorter_than_another_read(link: str, widest: int) -> None:
    """A read costs 8 + 5 characters and two silences t3.5, a register 2 characters.

    Up to 19200 baud that is 13 + 7 = 20, so 10 registers; at 38400 baud 1.75 ms are 6.1 characters,
    so 12.6; at 115200 baud 18.3, so 24.8. A round trip on a network outweighs all that is allowed.
    """
    for gap, reads in ((widest, 1), (widest + 1, 2)):
        places = [("input-register", address, "uint16") for address in (0, gap + 1)]
        panel = a_panel(places, (2000, 125), (0, 100))
        assert len(plan_panel(panel, LINKS[link])) == reads
