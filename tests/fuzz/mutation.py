"""Damages bytes and texts in the ways that lines, editors and foreign programs do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

INTERESTING = (0x00, 0x01, 0x7F, 0x80, 0x83, 0xFE, 0xFF)


def damaged(data: bytes, rng: Random) -> bytes:
    """The bytes after one to three mutations."""
    for _ in range(1 + (rng.random() < 0.3) + (rng.random() < 0.1)):
        data = rng.choice(WAYS)(data, rng)
    return data


def _flip(data: bytes, rng: Random) -> bytes:
    if not data:
        return data
    place = rng.randrange(len(data))
    return data[:place] + bytes([data[place] ^ 1 << rng.randrange(8)]) + data[place + 1 :]


def _put(data: bytes, rng: Random) -> bytes:
    if not data:
        return data
    place = rng.randrange(len(data))
    return data[:place] + bytes([rng.choice(INTERESTING)]) + data[place + 1 :]


def _insert(data: bytes, rng: Random) -> bytes:
    place = rng.randint(0, len(data))
    return data[:place] + rng.randbytes(rng.randint(1, 5)) + data[place:]


def _delete(data: bytes, rng: Random) -> bytes:
    place = rng.randint(0, len(data))
    return data[:place] + data[place + rng.randint(1, 4) :]


def _cut(data: bytes, rng: Random) -> bytes:
    return data[: rng.randint(0, len(data))]


def _double(data: bytes, rng: Random) -> bytes:
    place = rng.randint(0, len(data))
    return data[:place] + data[max(0, place - rng.randint(1, 12)) :]


WAYS: tuple[Callable[[bytes, Random], bytes], ...] = (_flip, _put, _insert, _delete, _cut, _double)

PIECES = (
    "", " ", "\n", "\t", ":", "- ", "{", "}", "[", "]", '"', "'", "#", "&a ", "*a",
    "!!python/object:", "<<: *a", "null", "~", "yes", "1e309", "-1", "0x10", "9" * 400, ".nan",
    "\u2028", "\ufeff", "\x00", "%YAML 9.9\n", "---\n", "...\n", "? ", "| ", "> ", "é" * 3,
    "\U0001f9ea", "{{", "${HOME}",
)  # fmt: skip


def damaged_text(text: str, rng: Random) -> str:
    """A text after one to four mutations of its lines and characters."""
    for _ in range(rng.randint(1, 4)):
        lines = text.split("\n")
        place = rng.randrange(len(lines))
        way = rng.randrange(7)
        if way == 0:
            del lines[place]
        elif way == 1:
            lines.insert(place, rng.choice(lines))
        elif way == 2:
            lines[place] = " " * rng.randint(0, 9) + lines[place].lstrip()
        elif way == 3:
            other = rng.randrange(len(lines))
            lines[place], lines[other] = lines[other], lines[place]
        else:
            line = lines[place]
            at = rng.randint(0, len(line))
            lines[place] = line[:at] + rng.choice(PIECES) + line[at + rng.randint(0, 3) :]
        text = "\n".join(lines)
    return text


def pieces_of(data: bytes, rng: Random) -> Sequence[bytes]:
    """The bytes as they may arrive: whole, byte by byte, or in a few pieces."""
    way = rng.random()
    if way < 0.5 or len(data) < 2:
        return [data]
    if way < 0.6:
        return [bytes([each]) for each in data]
    cuts = sorted(rng.randint(0, len(data)) for _ in range(rng.randint(1, 4)))
    return [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True) if a != b]
