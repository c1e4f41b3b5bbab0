"""The audited part of the journal: each record of an audited kind makes an entry of the chain.

The entry is written in the transaction of its record, so that no crash parts the two. What is
remembered of the chain's end changes only after the commit.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import takewhile

import apsw

from collector.audit.chain import AUDITED, Anchor, Signs, body_of, filled_head, hash_of, rfc3339
from collector.core.records import Record, RecordKind

SAMPLED_ENTRIES = 500
BYTES_BESIDE_BODY = 60
"""Hash, numbers and the database's own bytes of an entry, by trial."""


class Chaining:
    """The writer's side of the chain.

    Args:
        connection: the writer's.
        journal: id of the journal, which the heads' signatures cover.
        signer: signs the heads; None leaves them unsigned.
    """

    def __init__(self, connection: apsw.Connection, journal: str, signer: Signs | None) -> None:
        self._connection = connection
        self._journal = journal
        self._signer = signer
        anchor = connection.execute("SELECT number, hash FROM chain_anchor").get
        newest = connection.execute(
            "SELECT number, hash FROM chain ORDER BY number DESC LIMIT 1"
        ).get
        breaks: list[tuple[int, int, bytes]] = connection.execute(
            "SELECT number, first, hash FROM chain_break ORDER BY number"
        ).fetchall()  # type: ignore[assignment]
        self._missing = [(number, number - first + 1) for number, first, _ in breaks]
        ends = [Anchor(*anchor), *(Anchor(number, digest) for number, _, digest in breaks)]
        ends += [Anchor(*newest)] if newest else []
        self.anchor = ends[0]
        self.last = self._written = max(ends, key=lambda end: end.number)
        sampled = connection.execute(
            "SELECT coalesce(avg(octet_length(body)), 0) FROM "
            "(SELECT body FROM chain ORDER BY number DESC LIMIT ?)",
            (SAMPLED_ENTRIES,),
        ).get
        self.size_bytes: float = self._count(self.anchor) * (sampled + BYTES_BESIDE_BODY)
        self._written_bytes = 0
        self._written_anchor = self.anchor

    def write(self, records: list[Record], first: int) -> None:
        """Write the entries of the audited ones among records, and fill in heads in their place.

        Args:
            records: of the transaction under way; heads are replaced by what is on record.
            first: sequence of the first.
        """
        last = self.last
        entries: list[tuple[int, int, str, bytes]] = []
        for place, record in enumerate(records):
            if record.kind not in AUDITED:
                continue
            if record.kind is RecordKind.HEAD and isinstance(record.value, str):
                filled = filled_head(record.value, self._journal, last, self._signer)
                if filled is not None:
                    record = records[place] = replace(record, value=filled)
            number, sequence = last.number + 1, first + place
            body = body_of(replace(record, sequence=sequence), number)
            last = Anchor(number, hash_of(last.hash, body.encode()))
            entries.append((number, sequence, body, last.hash))
        self._written = last
        self._written_bytes = sum(len(entry[2]) + BYTES_BESIDE_BODY for entry in entries)
        if entries:
            self._connection.executemany("INSERT INTO chain VALUES (?, ?, ?, ?)", entries)

    def _count(self, after: Anchor) -> int:
        """How many entries there are behind one; those lost with a damaged journal are not."""
        missing = sum(count for number, count in self._missing if number > after.number)
        return self.last.number - after.number - missing

    def keep(self) -> None:
        """Take over what the committed transaction has added and taken away."""
        if self._written_anchor != self.anchor:
            self.size_bytes *= self._count(self._written_anchor) / self._count(self.anchor)
            self.anchor = self._written_anchor
        self.last = self._written
        self.size_bytes += self._written_bytes

    def forget(self) -> None:
        """Forget what a transaction that was rolled back would have changed."""
        self._written, self._written_anchor, self._written_bytes = self.last, self.anchor, 0

    def oldest(self, before_utc_us: int | None, limit: int) -> Anchor | None:
        """The last of the oldest entries that may go, never the newest of all.

        Args:
            before_utc_us: only entries older than that; None for any.
            limit: most of them.

        Returns:
            None where none may go.
        """
        found: list[tuple[int, bytes, str]] = self._connection.execute(
            "SELECT number, hash, json_extract(body, '$.utc') FROM chain WHERE number < ? "
            "ORDER BY number LIMIT ?",
            (self.last.number, limit),
        ).fetchall()  # type: ignore[assignment]
        if before_utc_us is not None:
            before = rfc3339(before_utc_us)
            found = list(takewhile(lambda row: row[2] < before, found))
        return Anchor(*found[-1][:2]) if found else None

    def remove(self, up_to: Anchor) -> None:
        """Take entries away in the transaction under way; the rest begins behind ``up_to``."""
        self._connection.execute("DELETE FROM chain WHERE number <= ?", (up_to.number,))
        self._connection.execute("DELETE FROM chain_break WHERE number <= ?", (up_to.number,))
        self._connection.execute(
            "UPDATE chain_anchor SET number = ?, hash = ?", (up_to.number, up_to.hash)
        )
        self._written_anchor = up_to
