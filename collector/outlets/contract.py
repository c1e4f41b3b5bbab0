"""What an outlet needs of the journal, and what it tells about itself.

An outlet reads only what is committed and moves its cursor only over what the far side confirmed.
All of it is called on the event loop; none of the journal's calls below waits for the disk.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from collector.core.records import Record, RecordKind


class CursorFigures(Protocol):
    """How far an outlet has delivered: all up to ``delivered``, and ``ahead_from..ahead_to``.

    The second stretch is empty where ``ahead_from`` is 0.
    """

    @property
    def delivered(self) -> int: ...
    @property
    def ahead_from(self) -> int: ...
    @property
    def ahead_to(self) -> int: ...


class Source(Protocol):
    """The journal's reader, as far as outlets use it."""

    @property
    def journal_id(self) -> str:
        """Identity of this journal; numbers count anew in another one."""
        ...

    def head(self) -> int:
        """Number of the newest committed record, 0 in an empty journal."""
        ...

    def records_between(self, first: int, last: int, limit: int) -> Sequence[Record]:
        """At most ``limit`` committed records numbered ``first`` to ``last``, in order."""
        ...

    def latest(self) -> Mapping[tuple[RecordKind, str], Record]:
        """The newest record of every kind and subject."""
        ...

    def cursor(self, outlet: str) -> CursorFigures:
        """An outlet's cursor, all zero at first."""
        ...


class CursorKeeper(Protocol):
    """The journal's writer, as far as outlets use it; both calls only enqueue."""

    def move_cursor(self, outlet: str, delivered: int, ahead_from: int, ahead_to: int) -> None:
        """Have the cursor written with the next commit."""
        ...

    def quarantine(self, outlet: str, sequence: int, why: str) -> None:
        """Have it written down that the far side will never take this record."""
        ...


StateWord = Literal["starting", "delivering", "unreachable", "held", "stopped"]
"""``held``: the far side answers but refuses us, and a person has to change something."""


@dataclass(frozen=True, slots=True)
class OutletStatus:
    """How an outlet is doing.

    Args:
        outlet: its name.
        state: one of ``StateWord``.
        since_us: plant time since which it is in this state.
        sentence: the same for people, with the reason.
        delivered: everything up to this number is confirmed.
        head: newest number of the journal.
        behind: records not yet confirmed.
        retried: attempts made again, since the start.
        refused: records in quarantine since the start.
    """

    outlet: str
    state: StateWord
    since_us: int
    sentence: str
    delivered: int
    head: int
    behind: int
    retried: int
    refused: int
