"""Ways to damage the files of a journal, each from a random chance with a seed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from random import Random

NAME = "weirkeeper.journal"
PAGE = 4_096
FRAME = PAGE + 24


@dataclass(slots=True)
class Files:
    """The two files of a journal, to be damaged; None is a file that is not there."""

    database: bytearray | None
    log: bytearray | None
    altered: int = 0
    """Bytes that were altered one by one, so that what they stood for may read as another value."""


def _truncated(files: Files, chance: Random) -> None:
    assert files.database is not None
    del files.database[chance.randrange(len(files.database)) :]


def _truncated_at_page(files: Files, chance: Random) -> None:
    assert files.database is not None
    del files.database[chance.randrange(len(files.database) // PAGE) * PAGE :]


def _flip(data: bytearray, first: int, last: int, count: int, chance: Random) -> int:
    for _ in range(count):
        data[chance.randrange(first, last)] ^= 1 << chance.randrange(8)
    return count


def _header_flipped(files: Files, chance: Random) -> None:
    assert files.database is not None
    files.altered = _flip(files.database, 0, 100, chance.randint(1, 8), chance)


def _one_byte_flipped(files: Files, chance: Random) -> None:
    assert files.database is not None
    files.altered = _flip(files.database, 100, len(files.database), 1, chance)


def _bytes_flipped(files: Files, chance: Random) -> None:
    assert files.database is not None
    files.altered = _flip(files.database, 100, len(files.database), 40, chance)


def _page_heads_flipped(files: Files, chance: Random) -> None:
    assert files.database is not None
    for _ in range(3):
        page = chance.randrange(1, len(files.database) // PAGE) * PAGE
        files.altered += _flip(files.database, page, page + 12, 2, chance)


def _log_flipped(files: Files, chance: Random) -> None:
    assert files.log is not None
    files.altered = _flip(files.log, 0, len(files.log), chance.choice((1, 1, 5)), chance)


def _log_header_flipped(files: Files, chance: Random) -> None:
    assert files.log is not None
    files.altered = _flip(files.log, 0, 32, 1, chance)


def _log_truncated(files: Files, chance: Random) -> None:
    assert files.log is not None
    del files.log[chance.randrange(len(files.log)) :]


def _pages_zeroed(files: Files, chance: Random) -> None:
    assert files.database is not None
    for _ in range(chance.choice((1, 1, 2, 5))):
        page = chance.randrange(len(files.database) // PAGE) * PAGE
        files.database[page : page + PAGE] = bytes(PAGE)


def _stretch_zeroed(files: Files, chance: Random) -> None:
    """What a memory card does that loses an erase block."""
    assert files.database is not None
    begin = chance.randrange(len(files.database) // PAGE) * PAGE
    end = min(len(files.database), begin + (128 << 10))
    files.database[begin:end] = bytes(end - begin)


def _pages_noise(files: Files, chance: Random) -> None:
    assert files.database is not None
    for _ in range(chance.choice((1, 3))):
        page = chance.randrange(len(files.database) // PAGE) * PAGE
        files.database[page : page + PAGE] = chance.randbytes(PAGE)


def _pages_swapped(files: Files, chance: Random) -> None:
    data = files.database
    assert data is not None
    count = len(data) // PAGE
    one, other = (chance.randrange(count) * PAGE for _ in range(2))
    kept = data[one : one + PAGE]
    data[one : one + PAGE] = data[other : other + PAGE]
    data[other : other + PAGE] = kept


def _page_torn(files: Files, chance: Random) -> None:
    """Half a page was written, the other half is of before."""
    assert files.database is not None
    page = chance.randrange(len(files.database) // PAGE) * PAGE
    cut = chance.choice((512, 1024, 2048, 3584))
    files.database[page + cut : page + PAGE] = bytes(PAGE - cut)


def _log_gone(files: Files, chance: Random) -> None:
    files.log = None


def _database_gone(files: Files, chance: Random) -> None:
    files.database = None


def _text(files: Files, chance: Random) -> None:
    files.database = bytearray(b"What was here before?\n" * chance.randint(1, 400))


def _empty(files: Files, chance: Random) -> None:
    files.database, files.log = bytearray(), chance.choice((files.log, None))


def _swapped(files: Files, chance: Random) -> None:
    files.database, files.log = files.log, files.database


def _index_damaged(files: Files, chance: Random) -> None:
    """One page of the index over records loses its content."""
    assert files.database is not None
    pages = [
        page for page in range(PAGE, len(files.database), PAGE) if files.database[page] == 0x0A
    ]
    page = chance.choice(pages)
    files.database[page + 100 : page + PAGE] = bytes(PAGE - 100)


FAULTS: Mapping[str, Callable[[Files, Random], None]] = {
    "truncated anywhere": _truncated,
    "truncated at a page": _truncated_at_page,
    "bytes of the header flipped": _header_flipped,
    "one byte flipped": _one_byte_flipped,
    "forty bytes flipped": _bytes_flipped,
    "heads of pages flipped": _page_heads_flipped,
    "pages zeroed": _pages_zeroed,
    "128 KiB zeroed": _stretch_zeroed,
    "pages of noise": _pages_noise,
    "two pages swapped": _pages_swapped,
    "a page half written": _page_torn,
    "a page of an index emptied": _index_damaged,
    "bytes of the log flipped": _log_flipped,
    "header of the log flipped": _log_header_flipped,
    "log truncated": _log_truncated,
    "log gone": _log_gone,
    "database gone": _database_gone,
    "replaced by a text": _text,
    "emptied": _empty,
    "database and log swapped": _swapped,
}
