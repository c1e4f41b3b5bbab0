"""The records just committed, kept for whoever delivers them, so that they need not be read again.

The journal stays the queue: what is no longer here is read from it, and nothing is here before it
is on the disk. A live change costs its outlets no query each.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from itertools import islice

from collector.core.records import Record, RecordKind
from collector.journal.items import Cursor
from collector.journal.reader import JournalReader

MOST_FRESH = 500


class FreshRecords:
    """A reader with the newest records at hand; for one thread.

    Args:
        reader: reads the rest.
    """

    def __init__(self, reader: JournalReader) -> None:
        self._reader = reader
        self._fresh: deque[Record] = deque(maxlen=MOST_FRESH)

    def note(self, records: Sequence[Record]) -> None:
        """Records that have been committed, with their numbers and in order."""
        if records and self._fresh and records[0].sequence != self._fresh[-1].sequence + 1:
            self._fresh.clear()
        self._fresh.extend(records)

    def records_between(self, first: int, last: int, limit: int) -> Sequence[Record]:
        """At most ``limit`` committed records numbered ``first`` to ``last``, in order."""
        fresh = self._fresh
        if not fresh or not fresh[0].sequence <= first <= last <= fresh[-1].sequence:
            return self._reader.records_between(first, last, limit)
        begin = first - fresh[0].sequence
        return list(islice(fresh, begin, begin + min(last - first + 1, limit)))

    @property
    def journal_id(self) -> str:
        """See `JournalReader`."""
        return self._reader.journal_id

    def head(self) -> int:
        """See `JournalReader`."""
        return self._reader.head()

    def latest(self) -> Mapping[tuple[RecordKind, str], Record]:
        """See `JournalReader`."""
        return self._reader.latest()

    def cursor(self, outlet: str) -> Cursor:
        """See `JournalReader`."""
        return self._reader.cursor(outlet)
