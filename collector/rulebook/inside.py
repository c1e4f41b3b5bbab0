"""Where a character of a text stands in the YAML file that holds the text.

YAML unfolds lines and escapes, so the tenth character of a condition need not stand ten columns
behind its quote. The text is read once more here, character by character, with the place of each;
where that does not give the same text (an anchor before it, an escape that is rare) only its
begin is known.

Source: YAML 1.2.2, sections 7.3 (flow scalars), 8.1 (block scalars) and 6.5 (line folding).
"""

from __future__ import annotations

from collections.abc import Iterator

from collector.plant.findings import Path
from collector.plant.yaml_source import SourceTree
from collector.plant.yaml_tree import Mark

# YAML 1.2.2, section 5.7.
ESCAPES = {
    "0": "\0", "a": "\a", "b": "\b", "t": "\t", "\t": "\t", "n": "\n", "v": "\v", "f": "\f",
    "r": "\r", "e": "\x1b", " ": " ", '"': '"', "/": "/", "\\": "\\", "N": "\x85", "_": "\xa0",
    "L": "\u2028", "P": "\u2029",
}  # fmt: skip
CODES = {"x": 2, "u": 4, "U": 8}

Placed = tuple[str, int]
"""A character of the text, and where in the file it begins."""


def mark_inside(tree: SourceTree, path: Path, offset: int) -> Mark | None:
    """Line and column of a character of the text at a path; None where that is not known.

    Args:
        tree: the file.
        path: of the text.
        offset: of the character in the text; one past the end is its last place.
    """
    place = tree.marks.get(path)
    if place is None or place.text is None:
        return None
    begin = _index(tree.text, place.value)
    places: list[int] = []
    for character, index in _characters(tree.text, begin):
        if len(places) == len(place.text):
            break
        if character != place.text[len(places)]:
            return None
        places.append(index)
    if len(places) < len(place.text) or not places:
        return None
    index = places[offset] if offset < len(places) else places[-1] + 1
    before = tree.text.rfind("\n", 0, index) + 1
    return Mark(tree.text.count("\n", 0, index) + 1, index - before + 1)


def _index(text: str, mark: Mark) -> int:
    at = 0
    for _ in range(mark.line - 1):
        at = text.find("\n", at) + 1
    return at + mark.column - 1


def _characters(text: str, begin: int) -> Iterator[Placed]:
    style = text[begin : begin + 1]
    if style in ("|", ">"):
        return _block(text, begin, folded=style == ">")
    if style in ("'", '"'):
        return _flow(text, begin + 1, style)
    return _flow(text, begin, "")


def _flow(text: str, at: int, quote: str) -> Iterator[Placed]:
    while at < len(text):
        character = text[at]
        if character in " \t\n":
            end = at
            while end < len(text) and text[end] in " \t\n":
                end += 1
            yield from _gap(text, at, end)
            at = end
        elif quote == "'" and text.startswith("''", at):
            yield "'", at
            at += 2
        elif character == quote:
            return
        elif quote == '"' and character == "\\":
            meant, length = _escaped(text, at)
            if meant:
                yield meant, at
            at += length
        else:
            yield character, at
            at += 1


def _gap(text: str, at: int, end: int) -> Iterator[Placed]:
    """Blanks as they stand, or folded where a line ends among them."""
    breaks = text.count("\n", at, end)
    if breaks == 0:
        yield from ((text[k], k) for k in range(at, end))
    elif breaks == 1:
        yield " ", at
    else:
        yield from (("\n", at) for _ in range(breaks - 1))


def _escaped(text: str, at: int) -> tuple[str, int]:
    """What an escape means, and its length; nothing for one that ends a line."""
    letter = text[at + 1 : at + 2]
    if letter == "\n":
        end = at + 2
        while text[end : end + 1] in (" ", "\t"):
            end += 1
        return "", end - at
    if letter in CODES:
        digits = text[at + 2 : at + 2 + CODES[letter]]
        return chr(int(digits, 16)), 2 + len(digits)
    return ESCAPES.get(letter, letter), 2


def _block(text: str, begin: int, *, folded: bool) -> Iterator[Placed]:
    """A block's lines without their indentation; folded ones joined where neither is set in."""
    at = text.find("\n", begin) + 1
    lines: list[tuple[int, str]] = []
    while 0 < at < len(text):
        end = text.find("\n", at)
        end = len(text) if end < 0 else end
        lines.append((at, text[at:end]))
        at = end + 1
    indentation = next((len(t) - len(t.lstrip(" ")) for _, t in lines if t.strip()), 0)
    before_plain = False
    waiting: list[int] = []  # ends of lines not yet told
    for at, line in lines:
        content = line[indentation:]
        if not content.strip():
            waiting.append(at)
            continue
        plain = folded and content[0] not in " \t"
        if waiting:
            joined = plain and before_plain
            if joined and len(waiting) == 1:
                yield " ", waiting[0]
            else:
                yield from (("\n", k) for k in waiting[1 if joined else 0 :])
        yield from ((character, at + indentation + k) for k, character in enumerate(content))
        waiting, before_plain = [at + len(line)], plain
    yield from (("\n", k) for k in waiting)
