"""The lanes: order, windows, cursors. Expected values follow from the definition of a cursor."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.outlets.delivery import BACKLOG_BOUND, Cursor, Delivery, Lane, Wanted


class Numbers:
    """A journal reduced to its numbers."""

    def __init__(self, numbers: list[int]) -> None:
        self.numbers = numbers

    @property
    def head(self) -> int:
        return self.numbers[-1] if self.numbers else 0

    def read(self, wanted: Wanted) -> list[int]:
        inside = [n for n in self.numbers if wanted.first <= n <= wanted.last]
        return inside[: wanted.limit]


def send(delivery: Delivery, journal: Numbers) -> list[tuple[Lane, int]]:
    """Send as much as the window takes; the numbers sent, in order, with their lanes."""
    out: list[tuple[Lane, int]] = []
    while (wanted := delivery.wanted(journal.head)) is not None:
        numbers = journal.read(wanted)
        delivery.sent(wanted, numbers)
        out.extend((wanted.lane, number) for number in numbers)
    return out


def test_a_short_backlog_goes_in_one_lane_in_order() -> None:
    """Up to the bound there is one lane, and its order is the journal's."""
    journal = Numbers(list(range(1, BACKLOG_BOUND + 1)))
    delivery = Delivery(Cursor(), window=1000)
    delivery.begin(journal.head)
    sent = send(delivery, journal)
    assert sent == [(Lane.LIVE, n) for n in journal.numbers]
    for _, number in sent:
        delivery.confirm(number)
    assert delivery.cursor == Cursor(BACKLOG_BOUND)
    assert delivery.behind(journal.head) == 0


def test_a_long_backlog_does_not_make_the_present_wait() -> None:
    """A record journaled after the connection is sent before the backlog is through."""
    journal = Numbers(list(range(1, 20_001)))
    delivery = Delivery(Cursor(), window=10)
    delivery.begin(journal.head)
    first = send(delivery, journal)
    assert {lane for lane, _ in first} == {Lane.BACKLOG}
    assert len(first) < 10, "a share of the window stays free for the present"
    journal.numbers.append(20_001)
    assert send(delivery, journal) == [(Lane.LIVE, 20_001)]
    delivery.confirm(20_001)
    assert delivery.cursor == Cursor(0, 20_001, 20_001)
    assert delivery.behind(journal.head) == 20_000


def test_confirmations_out_of_order_move_nothing_past_a_hole() -> None:
    """MQTT 5 section 4.6 lets acknowledgements of different messages be told apart only by their
    identifiers; the cursor stops before the first record that lacks one."""
    journal = Numbers([1, 2, 3, 4, 5])
    delivery = Delivery(Cursor(), window=5)
    delivery.begin(journal.head)
    send(delivery, journal)
    for number in (2, 3, 5):
        delivery.confirm(number)
        assert delivery.cursor == Cursor(0)
    delivery.confirm(1)
    assert delivery.cursor == Cursor(3)
    delivery.confirm(4)
    assert delivery.cursor == Cursor(5)


def test_a_number_never_sent_confirms_nothing() -> None:
    """A stray or repeated confirmation is no delivery."""
    journal = Numbers([1, 2, 3])
    delivery = Delivery(Cursor(), window=3)
    delivery.begin(journal.head)
    delivery.confirm(1)
    assert delivery.cursor == Cursor(0)
    send(delivery, journal)
    delivery.confirm(1)
    delivery.confirm(1)
    delivery.confirm(9)
    assert delivery.cursor == Cursor(1)
    assert delivery.unconfirmed == 2


def test_the_lanes_become_one_when_the_backlog_meets_the_stretch_ahead() -> None:
    """A cursor whose two stretches touch is one stretch."""
    delivery = Delivery(Cursor(10, 12, 20), window=4)
    journal = Numbers(list(range(1, 23)))
    delivery.begin(journal.head)
    assert send(delivery, journal) == [(Lane.BACKLOG, 11), (Lane.LIVE, 21), (Lane.LIVE, 22)]
    delivery.confirm(11)
    assert delivery.cursor == Cursor(20)
    assert Delivery(Cursor(10, 11, 20), window=4).cursor == Cursor(20)


def test_records_deleted_at_the_size_limit_do_not_stop_a_lane() -> None:
    """Numbers missing from the journal are passed over, not waited for."""
    journal = Numbers([400, 401, 410])
    delivery = Delivery(Cursor(3), window=5)
    delivery.begin(journal.head)
    journal.numbers.append(411)
    sent = [number for _, number in send(delivery, journal)]
    assert sorted(sent) == [400, 401, 410, 411]
    for number in sent:
        delivery.confirm(number)
    assert delivery.cursor == Cursor(411)

    nothing_left = Delivery(Cursor(3, 500, 600), window=5)
    nothing_left.begin(600)
    send(nothing_left, Numbers([500, 600]))
    assert nothing_left.cursor == Cursor(600)


def test_a_live_lane_that_fell_behind_gives_its_stretch_up_and_keeps_nothing_back() -> None:
    """One cursor has one stretch ahead: a second long outage repeats records, it loses none."""
    delivery = Delivery(Cursor(10, 1001, 1100), window=50)
    journal = Numbers(list(range(1, 5001)))
    delivery.begin(journal.head)
    delivered: set[int] = set()
    while sent := send(delivery, journal):
        for _, number in sent:
            delivered.add(number)
            delivery.confirm(number)
    assert delivered == set(range(11, 5001))
    assert delivery.cursor == Cursor(5000)


def test_with_a_window_of_one_the_lanes_take_turns() -> None:
    """Even the narrowest window starves neither lane."""
    journal = Numbers(list(range(1, 1001)))
    delivery = Delivery(Cursor(), window=1)
    delivery.begin(journal.head)
    journal.numbers.extend(range(1001, 1011))
    lanes = []
    for _ in range(20):
        ((lane, number),) = send(delivery, journal)
        lanes.append(lane)
        delivery.confirm(number)
    assert lanes.count(Lane.LIVE) == 10
    assert all(a != b for a, b in pairwise(lanes))


step = st.one_of(
    st.tuples(st.just("append"), st.integers(1, 30)),
    st.tuples(st.just("skip"), st.integers(1, 5)),
    st.tuples(st.just("send"), st.just(0)),
    st.tuples(st.just("confirm"), st.integers(0, 1000)),
    st.tuples(st.just("begin"), st.just(0)),
    st.tuples(st.just("rewind"), st.just(0)),
    st.tuples(st.just("restart"), st.just(0)),
)


@given(st.lists(step, max_size=80), st.integers(1, 12), st.integers(0, 15))
@settings(max_examples=400, deadline=None)
def test_no_history_of_outages_loses_a_record_or_moves_a_cursor_wrongly(
    steps: list[tuple[str, int]], window: int, bound: int
) -> None:
    """Whatever happens: the cursor covers only what was confirmed, the window holds, each lane is
    in order, and once the far side behaves everything has arrived."""
    journal = Numbers([])
    next_number = 1
    delivery = Delivery(Cursor(), window, bound)
    delivery.begin(0)
    confirmed: set[int] = set()
    out: list[int] = []
    last_of_lane: dict[Lane, int] = {}

    def check() -> None:
        cursor = delivery.cursor
        covered = {n for n in journal.numbers if n <= cursor.delivered}
        covered |= {n for n in journal.numbers if cursor.ahead_from <= n <= cursor.ahead_to}
        assert covered <= confirmed
        assert delivery.unconfirmed == len(out) <= window

    for what, figure in [*steps, ("begin", 0)]:
        if what == "append":
            journal.numbers.extend(range(next_number, next_number + figure))
            next_number += figure
        elif what == "skip":
            next_number += figure
        elif what == "send":
            for lane, number in send(delivery, journal):
                assert number > last_of_lane.get(lane, 0)
                last_of_lane[lane] = number
                out.append(number)
        elif what == "confirm" and out:
            number = out.pop(figure % len(out))
            confirmed.add(number)
            delivery.confirm(number)
        elif what in ("begin", "rewind", "restart"):
            out.clear()
            last_of_lane.clear()
            if what == "restart":
                delivery = Delivery(delivery.cursor, window, bound)
            if what == "rewind":
                delivery.rewind()
            else:
                delivery.begin(journal.head)
        check()

    while sent := send(delivery, journal):
        for _, number in sent:
            confirmed.add(number)
            delivery.confirm(number)
    assert confirmed == set(journal.numbers)
    assert delivery.cursor == Cursor(journal.head)
