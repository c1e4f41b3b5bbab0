"""Rows out of the bytes of a damaged SQLite file and its log, with no need of what leads to them.

A database is pages, a table the leaves of a tree. Here every page is looked at by itself: a leaf
gives its rows even where header, tree and schema are gone.

What a row holds is not protected by anything in the main file; only frames of the log are.

Source: sqlite.org/fileformat2.html, sections 1.3 (header), 1.5 (freelist), 1.6 (pages, cells), 2.1
(record format).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from collector.journal.salvage.log import PAGE_BYTES, WAL_MAGICS, read_log

HEADER_BYTES = 100
MAGIC = b"SQLite format 3\0"
LOG_BEGINS = tuple(magic.to_bytes(4, "big") for magic in WAL_MAGICS)
TABLE_LEAF, INDEX_LEAF, INDEX_INTERIOR = 0x0D, 0x0A, 0x02
HEAD_OF = {TABLE_LEAF: 8, INDEX_LEAF: 8, INDEX_INTERIOR: 12}
LARGEST_TABLE_LOCAL = PAGE_BYTES - 35
LARGEST_INDEX_LOCAL = (PAGE_BYTES - 12) * 64 // 255 - 23
LEAST_LOCAL = (PAGE_BYTES - 12) * 32 // 255 - 23
LEAST_UNWRITTEN = 32
"""Rows fill a page from its end; so many zeros there are a part that was never written."""
MOST_CELLS = (PAGE_BYTES - 8) // 4
LARGEST_ROW_BYTES = 64 << 20
INTEGER_BYTES = (0, 1, 2, 3, 4, 6, 8)
DOUBLE = struct.Struct(">d")


class Cell(NamedTuple):
    """A row.

    Args:
        key: its number in a table, None in an index (and in a table without numbers).
        values: of its columns; a text that is no UTF-8 makes the row no row.
    """

    key: int | None
    values: list[Any]


class Unreadable(Exception):
    """Here stands no row."""


class Image:
    """A database file with its log, page by page; bad sectors read as missing pages.

    Args:
        path: the database.
        log: its log, may be missing.

    Attributes:
        log_pages: what the log holds up to its last commit, newest first: page number and bytes.
        log_broken: whether something committed is missing from the log, or cannot be believed.
        log_ignored: whether whoever reads it has found the log to be of another database.
        count: pages of the file.
        bad_pages: pages that could not be read from the disk.
    """

    def __init__(self, path: Path, log: Path) -> None:
        if _begins(path) in LOG_BEGINS and _begins(log) == MAGIC[:4]:
            path, log = log, path  # somebody has mixed them up
        # A database that is gone reads as an empty one: its log may still be there.
        there = path if path.exists() else Path(os.devnull)
        self._descriptor = os.open(there, os.O_RDONLY | os.O_CLOEXEC)
        try:
            self.count = -(-os.fstat(self._descriptor).st_size // PAGE_BYTES)
            self.bad_pages = 0
            self.log_pages, self.log_broken = read_log(log)
            self.log_ignored = False
        except BaseException:
            os.close(self._descriptor)
            raise
        self._newest = dict(reversed(self.log_pages))

    def close(self) -> None:
        """Let the file go."""
        os.close(self._descriptor)

    def page(self, number: int) -> bytes | None:
        """A page of the main file; None where there is none, or the disk does not give it."""
        if not 1 <= number <= self.count:
            return None
        try:
            data = os.pread(self._descriptor, PAGE_BYTES, (number - 1) * PAGE_BYTES)
        except OSError:
            self.bad_pages += 1
            return None
        return data  # the last one of a file that was cut off is short

    def newest(self, number: int) -> bytes | None:
        """A page as the log has it, else as the main file has it."""
        return self._newest.get(number) or self.page(number)

    def free(self) -> set[int]:
        """Pages on the list of free ones, as far as it can be followed; they hold old rows."""
        header = self.newest(1)
        found: set[int] = set()
        if header is None or not header.startswith(MAGIC):
            return found
        trunk = int.from_bytes(header[32:36], "big")
        while trunk and trunk not in found:
            found.add(trunk)
            page = self.newest(trunk)
            if page is None:
                break
            count = min(int.from_bytes(page[4:8], "big"), PAGE_BYTES // 4 - 2)
            found.update(struct.unpack_from(f">{count}I", page, 8))
            trunk = int.from_bytes(page[:4], "big")
        return found

    def pages(self) -> Iterator[tuple[int, bytes]]:
        """All versions of all pages that are in use: the log's first, which are checked."""
        free = self.free()
        for number, data in self.log_pages:
            if number not in free:
                yield number, data
        for number in range(1, self.count + 1):
            data_or_none = None if number in free else self.page(number)
            if data_or_none is not None:
                yield number, data_or_none

    def cells(self, number: int, page: bytes) -> Iterator[Cell]:
        """The rows of a page that is the leaf of a table or any page of an index, else none."""
        start = HEADER_BYTES if number == 1 else 0
        if len(page) < start + HEAD_OF[INDEX_INTERIOR]:
            return
        kind = page[start]
        if kind not in HEAD_OF:
            if kind == 0x05 or not any(page[:64]):
                return
            kind = TABLE_LEAF  # its first byte may be what is damaged; the rows will tell
        end = len(page)
        if end - len(page.rstrip(b"\0")) >= LEAST_UNWRITTEN:
            end = len(page.rstrip(b"\0"))
        count = int.from_bytes(page[start + 3 : start + 5], "big")
        at = start + HEAD_OF[kind]
        for place in range(at, min(at + 2 * min(count, MOST_CELLS), len(page) - 1), 2):
            # As SQLite does: bits that point beyond a page are none.
            offset = (page[place] << 8 | page[place + 1]) % PAGE_BYTES
            if not at <= offset < PAGE_BYTES - 3:
                continue
            try:
                yield self._cell(page[:end], offset, kind)
            except (Unreadable, IndexError, UnicodeDecodeError, struct.error):
                continue

    def _cell(self, page: bytes, at: int, kind: int) -> Cell:
        if kind == INDEX_INTERIOR:
            at += 4
        size, at = _varint(page, at)
        key = None
        largest = LARGEST_INDEX_LOCAL
        if kind == TABLE_LEAF:
            key, at = _varint(page, at)
            key -= (key >> 63) << 64
            largest = LARGEST_TABLE_LOCAL
        if size <= largest:
            if at + size > len(page):
                raise Unreadable
            return Cell(key, values_of(page[at : at + size]))
        return Cell(key, values_of(self._long(page, at, size, largest)))

    def _long(self, page: bytes, at: int, size: int, largest: int) -> bytes:
        """A payload that goes on in pages of its own."""
        if size > LARGEST_ROW_BYTES:
            raise Unreadable
        local = LEAST_LOCAL + (size - LEAST_LOCAL) % (PAGE_BYTES - 4)
        local = local if local <= largest else LEAST_LOCAL
        parts = [page[at : at + local]]
        following = int.from_bytes(page[at + local : at + local + 4], "big")
        left = size - local
        while left > 0:
            more = self.newest(following)
            if more is None:
                raise Unreadable
            parts.append(more[4 : 4 + left])
            left -= PAGE_BYTES - 4
            following = int.from_bytes(more[:4], "big")
        return b"".join(parts)


def _begins(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(4)
    except OSError:
        return b""


def values_of(payload: bytes) -> list[Any]:
    """The values of a row.

    Raises:
        Unreadable, IndexError, UnicodeDecodeError: it is none.
    """
    end, at = _varint(payload, 0)
    if end > len(payload):
        raise Unreadable
    values: list[Any] = []
    body = end
    while at < end:
        kind = payload[at]
        if kind < 0x80:
            at += 1
        else:
            kind, at = _varint(payload, at)
        if kind <= 6:
            size = INTEGER_BYTES[kind]
            values.append(
                int.from_bytes(payload[body : body + size], "big", signed=True) if size else None
            )
        elif kind == 7:
            size = 8
            values.append(DOUBLE.unpack_from(payload, body)[0])
        elif kind <= 9:
            size = 0
            values.append(kind - 8)
        elif kind >= 12:
            size = (kind - 12) // 2
            part = payload[body : body + size]
            if kind & 1 and 0 in part:  # no text of ours has that: it was cut off
                raise Unreadable
            values.append(part.decode() if kind & 1 else part)
        else:
            raise Unreadable
        body += size
    if body != len(payload) or at != end:
        raise Unreadable
    return values


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = data[at]
    at += 1
    if value < 0x80:
        return value, at
    value &= 0x7F
    for _ in range(7):
        byte = data[at]
        at += 1
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at
    return value << 8 | data[at], at + 1
