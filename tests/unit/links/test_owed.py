"""Owed replies against a unit that answers late, or never, in the order it was asked."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.scans import Read
from collector.links.owed import LATEST_REPLY_S, OwedReplies

BLOCKS = (
    Read(1, 3, 0, 20),
    Read(1, 3, 100, 20),
    Read(1, 3, 200, 1),
    Read(1, 3, 300, 1),
    Read(1, 3, 400, 2),
    Read(1, 4, 0, 1),
    Read(1, 1, 0, 3),
    Read(1, 2, 0, 16),
)


@dataclass(frozen=True)
class Reply:
    """What travels on the line: function, length or exception, and, unseen, whose answer it is."""

    function: int
    data_length: int | None  # None for an exception
    to: int


class LateUnit:
    """A unit that works off its requests in order; how many replies it sends is scripted."""

    def __init__(self) -> None:
        self.waiting: deque[Reply] = deque()

    def ask(self, read: Read, number: int, *, refuses: bool, loses: bool) -> None:
        """Take a request."""
        if not loses:
            length = None if refuses else read.payload_length
            self.waiting.append(Reply(read.function, length, number))

    def say(self) -> Reply | None:
        """Send the next reply, if there is one."""
        return self.waiting.popleft() if self.waiting else None


def has_shape_of(reply: Reply, read: Read) -> bool:
    """Whether a reply could be the answer to a read, by all that RTU framing shows."""
    return reply.function == read.function and reply.data_length in (None, read.payload_length)


steps = st.lists(
    st.tuples(
        st.sampled_from(BLOCKS),
        st.sampled_from(("answers", "silent", "late reply", "refuses", "loses")),
    ),
    max_size=40,
)


@settings(max_examples=500)
@given(steps)
def test_no_value_is_ever_the_answer_to_another_request(
    script: list[tuple[Read, str]],
) -> None:
    """Whatever is late, lost or refused: a payload taken belongs to the very request sent last."""
    owed, unit, number = OwedReplies(), LateUnit(), 0
    for block, mood in script:
        for _ in range(4):
            first = owed.maybe_read_first(block, 0.0)
            read = first or block
            number += 1
            unit.ask(read, number, refuses=mood == "refuses", loses=mood == "loses")
            reply = None if mood == "silent" else unit.say()
            if mood == "answers":  # all that was late passed before, in the quiet time
                while reply is not None and reply.to != number:
                    reply = unit.say()
            if reply is None or not has_shape_of(reply, read):
                owed.give_up(read, 0.0)
                break
            owed.answered(read, by_exception=reply.data_length is None, now_s=0.0)
            if first is None:
                assert reply.data_length is None or reply.to == number
                break


def test_nothing_is_read_first_while_nothing_is_owed() -> None:
    """A line without timeouts carries not one read more than planned."""
    owed = OwedReplies()
    for block in BLOCKS:
        assert owed.maybe_read_first(block, 0.0) is None
        owed.answered(block, by_exception=False, now_s=0.0)


@pytest.mark.parametrize("block", BLOCKS)
@pytest.mark.parametrize("silent_s", [1, 7, 29, 31, 1_800])
def test_a_unit_that_answers_again_is_read_after_at_most_one_other_read(
    block: Read, silent_s: int
) -> None:
    """However long it was silent while being tried each second."""
    owed = OwedReplies()
    for second in range(silent_s):
        read = owed.maybe_read_first(block, float(second)) or block
        owed.give_up(read, float(second))
    first = owed.maybe_read_first(block, float(silent_s))
    if first is not None:
        owed.answered(first, by_exception=False, now_s=float(silent_s))
    assert owed.maybe_read_first(block, float(silent_s)) is None


def test_a_reply_of_another_shape_needs_no_read_first() -> None:
    """Twenty registers are owed: two registers, or bits, can be asked for at once."""
    owed = OwedReplies()
    owed.give_up(BLOCKS[0], 0.0)
    assert owed.maybe_read_first(BLOCKS[4], 0.0) is None
    assert owed.maybe_read_first(BLOCKS[6], 0.0) is None
    assert owed.maybe_read_first(BLOCKS[1], 0.0) == Read(1, 3, 100, 1)


def test_other_units_owe_nothing() -> None:
    """A reply names its unit, so another unit's silence is no reason to be careful."""
    owed = OwedReplies()
    owed.give_up(BLOCKS[0], 0.0)
    assert owed.maybe_read_first(Read(2, 3, 0, 20), 0.0) is None


def test_a_reply_is_not_owed_for_ever() -> None:
    """After half a minute it does not come any more."""
    owed = OwedReplies()
    owed.give_up(BLOCKS[0], 0.0)
    assert owed.maybe_read_first(BLOCKS[0], LATEST_REPLY_S - 1) is not None
    assert owed.maybe_read_first(BLOCKS[0], LATEST_REPLY_S + 1) is None
