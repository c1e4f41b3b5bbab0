"""Which record goes next and how far the cursor may move: the rules of delivery, without any I/O.

A cursor says: everything up to ``delivered`` is confirmed, and so is ``ahead_from..ahead_to``. An
outlet that comes back to a short backlog works it off in one lane, in order. Behind a long one
people would wait for hours to see the present, so there are then two lanes, each in order:

* the **live** lane starts at the first record younger than the connection and fills the stretch
  ahead;
* the **backlog** lane works from ``delivered`` up to where the live lane began. When it gets there
  the two become one.

At most ``window`` records are out and unconfirmed. Each lane keeps a share of the window that the
other cannot take, so neither starves; with a window of one they take turns.

Delivery is at least once. After a refusal or a lost connection everything unconfirmed is read from
the journal again; nothing is kept in memory for it. One cursor describes one stretch ahead: when
the live lane itself has fallen behind by more than the bound, its stretch is given up and delivered
once more in order, which costs repeats and no records.

Numbers may be missing from a journal (its oldest records go at its size limit). A lane therefore
follows what it read, not what it could count.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

BACKLOG_BOUND = 200
RESERVED_SHARE = 4  # a fourth of the window is kept for each lane


class Lane(Enum):
    """The two lanes; without a long backlog there is only the live one."""

    LIVE = "live"
    BACKLOG = "backlog"


@dataclass(frozen=True, slots=True)
class Cursor:
    """See the head of this file; there is no stretch ahead where ``ahead_from`` is 0."""

    delivered: int = 0
    ahead_from: int = 0
    ahead_to: int = 0

    @property
    def ahead_count(self) -> int:
        """How many numbers the stretch ahead spans."""
        return self.ahead_to - self.ahead_from + 1 if self.ahead_from else 0


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to read from the journal next: at most ``limit`` records ``first..last``."""

    lane: Lane
    first: int
    last: int
    limit: int


class _Stretch:
    """One lane: what it has read and sent, and how far that is confirmed without a hole."""

    def __init__(self, confirmed_to: int) -> None:
        self.confirmed_to = confirmed_to
        self.read_to = confirmed_to
        self._sent: deque[int] = deque()
        self._open: set[int] = set()

    @property
    def unconfirmed(self) -> int:
        return len(self._open)

    def sent(self, sequences: Sequence[int], read_to: int) -> None:
        self._sent.extend(sequences)
        self._open.update(sequences)
        self.read_to = read_to
        self._settle()

    def confirm(self, sequence: int) -> None:
        if sequence in self._open:
            self._open.discard(sequence)
            self._settle()

    def _settle(self) -> None:
        while self._sent and self._sent[0] not in self._open:
            self.confirmed_to = self._sent.popleft()
        if not self._sent:
            self.confirmed_to = self.read_to

    def rewind(self) -> None:
        self._sent.clear()
        self._open.clear()
        self.read_to = self.confirmed_to


class Delivery:
    """The lanes of one outlet.

    Args:
        cursor: as the journal keeps it.
        window: most records out and unconfirmed.
        bound: a backlog longer than this gets a lane of its own.
    """

    def __init__(self, cursor: Cursor, window: int, bound: int = BACKLOG_BOUND) -> None:
        self._window = window
        self._bound = bound
        self._backlog: _Stretch | None = None
        self._live = _Stretch(cursor.delivered)
        self._live_from = 0
        self._last_turn = Lane.LIVE
        if cursor.ahead_count:
            self._split(cursor.delivered, cursor.ahead_from, cursor.ahead_to)
            self._merge_if_met()

    def begin(self, head: int, window: int | None = None) -> None:
        """Start over with a new connection: forget what is unconfirmed, choose the lanes.

        Args:
            head: newest number of the journal.
            window: a narrower window the far side asks for, or None to keep the present one.
        """
        if window is not None:
            self._window = max(1, window)
        self.rewind()
        if head - self._live.confirmed_to <= self._bound:
            return
        delivered = self.cursor.delivered
        self._split(delivered, head + 1, head)

    def rewind(self) -> None:
        """Forget what is unconfirmed, so that it is read and sent again; the lanes stay."""
        self._live.rewind()
        if self._backlog is not None:
            self._backlog.rewind()
        self._merge_if_met()

    def wanted(self, head: int) -> Wanted | None:
        """What to read and send next, or None while there is nothing or the window is full."""
        live = self._room(self._live, head - self._live.read_to)
        backlog = 0
        if self._backlog is not None:
            backlog = self._room(self._backlog, self._live_from - 1 - self._backlog.read_to)
        if live and backlog:
            lane = Lane.BACKLOG if self._last_turn is Lane.LIVE else Lane.LIVE
        elif live or backlog:
            lane = Lane.LIVE if live else Lane.BACKLOG
        else:
            return None
        if lane is Lane.LIVE:
            return Wanted(lane, self._live.read_to + 1, head, live)
        assert self._backlog is not None
        return Wanted(lane, self._backlog.read_to + 1, self._live_from - 1, backlog)

    def sent(self, wanted: Wanted, sequences: Sequence[int]) -> None:
        """Note what the journal gave for ``wanted``, before it is handed to the far side.

        Fewer than asked for means that there are no more up to ``wanted.last``.
        """
        read_to = wanted.last if len(sequences) < wanted.limit else sequences[-1]
        self._last_turn = wanted.lane
        stretch = self._live if wanted.lane is Lane.LIVE else self._backlog
        assert stretch is not None
        stretch.sent(sequences, read_to)
        self._merge_if_met()

    def confirm(self, sequence: int) -> None:
        """Note that the far side has this record for good (or that it never will, quarantined)."""
        if self._backlog is not None and sequence < self._live_from:
            self._backlog.confirm(sequence)
            self._merge_if_met()
        else:
            self._live.confirm(sequence)

    @property
    def cursor(self) -> Cursor:
        """What is confirmed; only this may be written to the journal."""
        if self._backlog is None:
            return Cursor(self._live.confirmed_to)
        if self._live.confirmed_to < self._live_from:
            return Cursor(self._backlog.confirmed_to)
        return Cursor(self._backlog.confirmed_to, self._live_from, self._live.confirmed_to)

    @property
    def unconfirmed(self) -> int:
        """Records out and not yet confirmed."""
        return self._live.unconfirmed + (self._backlog.unconfirmed if self._backlog else 0)

    def behind(self, head: int) -> int:
        """How many numbers up to ``head`` are not confirmed."""
        return max(0, head - self.cursor.delivered - self.cursor.ahead_count)

    def _split(self, delivered: int, live_from: int, confirmed_to: int) -> None:
        self._backlog = _Stretch(delivered)
        self._live = _Stretch(confirmed_to)
        self._live_from = live_from

    def _room(self, own: _Stretch, waiting: int) -> int:
        """How many of ``waiting`` records a lane may send now.

        A lane that could send only a few of many waits until its window has opened a little: one
        read of the journal for each confirmation would be most of the work.
        """
        free = self._window - self.unconfirmed
        share = self._window
        if self._backlog is not None and self._window > 1:
            share -= max(1, self._window // RESERVED_SHARE)
        room = min(free, share - own.unconfirmed)
        enough = max(1, min(waiting, share // RESERVED_SHARE))
        return room if waiting > 0 and room >= enough else 0

    def _merge_if_met(self) -> None:
        if self._backlog is not None and self._backlog.confirmed_to >= self._live_from - 1:
            self._backlog = None
