"""Replies that a unit still owes, on lines whose frames carry no transaction number.

After a timeout the reply may still come, and in RTU framing nothing but its shape (function and
byte count) distinguishes it from the answer to the next request. A unit answers in the order it was
asked. So a read is only sent while no reply of the same shape is owed; otherwise a shorter one is
sent first, and once it is answered, what was owed before it cannot come any more.

Which answer belongs to which request is always taken at its worst: an answer settles the oldest
owed reply it could be, and those before it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from collector.core.scans import Read

LATEST_REPLY_S = 30.0
"""A reply later than this is not expected of any unit (our choice; timeouts are up to 10 s)."""


class Owed(NamedTuple):
    """A request that was given up.

    Args:
        function: its function code.
        data_length: data bytes of a right reply.
        until_s: loop time until which the reply may still come.
    """

    function: int
    data_length: int
    until_s: float


class OwedReplies:
    """What each unit of a line owes, oldest first."""

    def __init__(self) -> None:
        self._of_unit: dict[int, list[Owed]] = {}

    def maybe_read_first(self, read: Read, now_s: float) -> Read | None:
        """The read to send before ``read``, or None when it is safe to send it now.

        Args:
            read: what is to be read.
            now_s: loop time.
        """
        if not self._of_unit:
            return None
        owed = [entry for entry in self._of_unit.get(read.unit, ()) if entry.until_s > now_s]
        self._of_unit[read.unit] = owed
        if not owed:
            del self._of_unit[read.unit]
        shapes = [(entry.function, entry.data_length) for entry in owed]
        shape = _shape(read)
        if shape not in shapes:
            return None
        # One whose answer settles all replies of this shape: none of its own is owed before those.
        newest = len(shapes) - shapes[::-1].index(shape)
        others = [other for other in _shorter_reads(read) if _shape(other) != shape]
        return next((o for o in others if _shape(o) not in shapes[:newest]), others[0])

    def give_up(self, read: Read, now_s: float) -> None:
        """Note that a request went unanswered."""
        entry = Owed(read.function, read.payload_length, now_s + LATEST_REPLY_S)
        self._of_unit.setdefault(read.unit, []).append(entry)

    def answered(self, read: Read, *, by_exception: bool, now_s: float) -> None:
        """Note that an answer came which has the shape of an answer to ``read``."""
        owed = self._of_unit.get(read.unit)
        if owed is None:
            return
        owed.append(Owed(read.function, read.payload_length, now_s + LATEST_REPLY_S))
        for place, entry in enumerate(owed):
            if entry.function == read.function and (
                by_exception or entry.data_length == read.payload_length
            ):
                del owed[: place + 1]
                break
        if not owed:
            del self._of_unit[read.unit]


def _shape(read: Read) -> tuple[int, int]:
    return read.function, read.payload_length


def _shorter_reads(read: Read) -> list[Read]:
    """Reads of the same place with other shapes: a single one first, then other functions."""
    counts = (1, 2, 9, 17)
    same = [replace(read, count=count) for count in counts if count < read.count]
    return same + [
        replace(read, function=function, count=1)
        for function in (4, 3, 2, 1)
        if function != read.function
    ]
