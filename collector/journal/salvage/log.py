"""The log of a SQLite database, frame by frame, each of which carries a checksum.

A checksum goes on from that of the frame before, which stands in that frame's header; so a frame
behind a damaged one can still be believed.

Source: sqlite.org/fileformat2.html, sections 4.1 to 4.3.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

PAGE_BYTES = 4_096
"""SQLite's own default; the journal never sets another."""
WAL_HEADER_BYTES, FRAME_HEADER_BYTES = 32, 24
FRAME_BYTES = FRAME_HEADER_BYTES + PAGE_BYTES
WAL_MAGICS = {0x377F0682: "<", 0x377F0683: ">"}


def log_is_broken(path: Path) -> bool:
    """Whether something committed is missing from a log that nobody writes now."""
    return read_log(path)[1]


class _Frame(NamedTuple):
    number: int
    commit: bool
    whole: bool
    data: bytes


def read_log(path: Path) -> tuple[list[tuple[int, bytes]], bool]:
    """Pages of the log, newest first, and whether something committed is missing from it.

    A frame that is not whole, behind which a transaction was committed and another begun, cannot
    be the torn end of a power cut: each commit is on the disk before the next begins.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return [], False
    except OSError:
        return [], True
    if len(data) < WAL_HEADER_BYTES + FRAME_BYTES:
        return [], False
    frames = list(_frames(data))
    commits = [place for place, frame in enumerate(frames) if frame.commit and frame.whole]
    last = commits[-1] if commits else -1
    bad = [place for place, frame in enumerate(frames[: last + 1]) if not frame.whole]
    before_bad = [place for place in commits if bad and place > bad[0]]
    broken = (
        (not _header_whole(data) and len(commits) > 0)
        or len(before_bad) > 1
        or (len(before_bad) == 1 and len(frames) > before_bad[0] + 1)
    )  # fmt: skip
    whole = [(frame.number, frame.data) for frame in frames[: last + 1] if frame.whole]
    if bad and not broken:
        # The transaction of a power cut: it was never confirmed to anyone.
        start = max((place for place in commits if place < bad[0]), default=-1) + 1
        whole = [(frame.number, frame.data) for frame in frames[:start]]
    return whole[::-1], broken


def _header_whole(data: bytes) -> bool:
    order = WAL_MAGICS.get(int.from_bytes(data[:4], "big"))
    if order is None:
        return False
    return checksum(data[:24], (0, 0), order) == struct.unpack_from(">II", data, 24)


def _frames(data: bytes) -> Iterator[_Frame]:
    """The frames of the generation that was written last, whole or not."""
    told = WAL_MAGICS.get(int.from_bytes(data[:4], "big"))
    first = data[WAL_HEADER_BYTES + 8 : WAL_HEADER_BYTES + 16]
    salts = data[16:24] if _header_whole(data) else first
    seed: tuple[int, int] = struct.unpack_from(">II", data, 24)
    order = told or "<"
    for at in range(WAL_HEADER_BYTES, len(data) - FRAME_BYTES + 1, FRAME_BYTES):
        number, size = struct.unpack_from(">II", data, at)
        said: tuple[int, int] = struct.unpack_from(">II", data, at + 16)
        page = data[at + FRAME_HEADER_BYTES : at + FRAME_BYTES]
        ours = data[at + 8 : at + 16] == salts
        whole = ours and checksum(page, checksum(data[at : at + 8], seed, order), order) == said
        if not whole and not ours and data[at + 8 : at + 12] != salts[:4]:
            following = data[at + FRAME_BYTES + 8 : at + FRAME_BYTES + 16]
            if following != salts:
                return  # left from before the log was begun anew
        yield _Frame(number, bool(size), whole and number > 0, page)
        seed = said


def checksum(data: bytes, seed: tuple[int, int], order: str) -> tuple[int, int]:
    """The log's checksum over 8-byte steps of data, going on from another.

    Args:
        data: a multiple of 8 bytes.
        seed: the checksum so far.
        order: ``<`` or ``>``, the order of bytes in a word.

    Source: sqlite.org/fileformat2.html, section 4.2.
    """
    first, second = seed
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for place in range(0, len(words), 2):
        first = (first + words[place] + second) & 0xFFFFFFFF
        second = (second + words[place + 1] + first) & 0xFFFFFFFF
    return first, second
