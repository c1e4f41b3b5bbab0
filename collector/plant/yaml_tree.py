"""Builds plain values from the events of a YAML parser, with the place of each.

What a plain word means follows the core schema of YAML 1.2.2, section 10.3.2, and nothing else:
``no``, ``on``, ``12:30:45`` and ``2024-05-01`` are text, ``010`` is ten. Beyond that a file must be
something two readers cannot read differently, so duplicate keys, tags, merge keys, several
documents and keys that are neither text nor whole numbers are refused. Anchors and aliases are
allowed within bounds.

Events, not the parser's own loader: that keeps every mark, bounds nesting and aliases before
anything is built, and leaves no place for a tag to construct anything.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import yaml

from collector.errors import ConfigurationError, Problem
from collector.plant.findings import Path

MOST_VALUES = 200_000  # of a file, those that aliases repeat included
DEEPEST_NESTING = 40  # levels; a plant file needs eight
MOST_DIGITS = 40  # of a whole number; the largest 64-bit figure has 20

# YAML 1.2.2 section 10.3.2, the table of the core schema.
NULL = re.compile(r"(?:null|Null|NULL|~)?")
TRUE = re.compile(r"true|True|TRUE")
FALSE = re.compile(r"false|False|FALSE")
DECIMAL = re.compile(r"[-+]?[0-9]+")
OCTAL = re.compile(r"0o[0-7]+")
HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
INFINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)")
NOT_A_NUMBER = re.compile(r"\.(?:nan|NaN|NAN)")


class Mark(NamedTuple):
    """A place in a file, both counted from one."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands.

    Args:
        key: mark of its key, or None for list items and the root.
        value: mark of the value.
        text: the scalar as the file writes it, quotes removed, or None for lists and mappings.
        quoted: True where the scalar is written in quotes or as a block.
    """

    key: Mark | None
    value: Mark
    text: str | None
    quoted: bool


def shortened(text: str) -> str:
    """Text of a file on one line, cut where it gets long."""
    line = " ".join(text.split())
    return line if len(line) <= 60 else f"{line[:57]}..."


def plain_value(text: str) -> str | int | float | bool | None:
    """What an unquoted word means by the core schema (YAML 1.2.2, section 10.3.2)."""
    if NULL.fullmatch(text):
        return None
    if TRUE.fullmatch(text):
        return True
    if FALSE.fullmatch(text):
        return False
    if DECIMAL.fullmatch(text):
        return int(text)
    if OCTAL.fullmatch(text):
        return int(text[2:], 8)
    if HEXADECIMAL.fullmatch(text):
        return int(text[2:], 16)
    if FLOAT.fullmatch(text):
        return float(text)
    if INFINITE.fullmatch(text):
        return float("-inf") if text.startswith("-") else float("inf")
    if NOT_A_NUMBER.fullmatch(text):
        return float("nan")
    return text


@dataclass(slots=True)
class Node:
    """A composed part of the document; aliases make several parents share one."""

    mark: Mark
    text: str | None = None
    quoted: bool = False
    scalar: str | int | float | bool | None = None
    items: list[Node] | None = None
    pairs: list[tuple[str | int, Mark, Node]] | None = None


@dataclass(slots=True)
class Composer:
    """Builds nodes from parser events and notes what is refused."""

    file: str
    problems: list[Problem] = field(default_factory=list)
    anchors: dict[str, Node] = field(default_factory=dict)
    count: int = 0

    def note(self, mark: Mark, where: str, found: str, expected: str) -> None:
        self.problems.append(Problem(self.file, mark.line, mark.column, where, found, expected))

    def stop(self, mark: Mark | None, found: str, expected: str) -> ConfigurationError:
        line, column = mark if mark is not None else (None, None)
        last = Problem(self.file, line, column, "", found, expected)
        return ConfigurationError([*self.problems, last])

    def document(self, events: Iterator[Any]) -> Node | None:
        """The root of the only document, or None where there is none."""
        root: Node | None = None
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents == 2:
                    raise self.stop(
                        _mark(event), "a second document ('---')", "one document in a file"
                    )
            elif isinstance(event, (yaml.ScalarEvent, yaml.AliasEvent, yaml.CollectionStartEvent)):
                root = self.node(event, events, ())
        return root

    def node(self, event: Any, events: Iterator[Any], path: Path) -> Node:
        mark = _mark(event)
        self.count += 1
        if self.count > MOST_VALUES:
            raise self.stop(mark, f"more than {MOST_VALUES} values", "a smaller file")
        if len(path) >= DEEPEST_NESTING:
            raise self.stop(
                mark, f"more than {DEEPEST_NESTING} levels within each other", "fewer levels"
            )
        if isinstance(event, yaml.AliasEvent):
            name = str(event.anchor)
            aliased = self.anchors.get(name)
            if aliased is None:
                raise self.stop(
                    mark,
                    f"the alias '*{shortened(name)}' of no anchor finished before it",
                    f"'&{shortened(name)}' on an earlier value, or quotes",
                )
            return aliased
        if event.tag is not None:
            self.note(mark, _dotted(path), f"the tag '{shortened(_tag(event.tag))}'", "no tags")
        node = Node(mark)
        if isinstance(event, yaml.ScalarEvent):
            self.fill_scalar(node, event, path)
        elif isinstance(event, yaml.SequenceStartEvent):
            node.items = []
            while not isinstance(inner := next(events), yaml.SequenceEndEvent):
                node.items.append(self.node(inner, events, (*path, len(node.items))))
        else:
            node.pairs = []
            self.fill_pairs(node, events, path)
        if event.anchor is not None:
            self.anchors[event.anchor] = node
        return node

    def fill_scalar(self, node: Node, event: Any, path: Path) -> None:
        node.text = event.value
        node.quoted = event.style in ("'", '"', "|", ">")
        if node.quoted:
            node.scalar = event.value
        elif len(event.value) > MOST_DIGITS and _is_whole_number(event.value):
            digits = len(event.value)
            self.note(
                node.mark, _dotted(path), f"a number of {digits} digits", f"at most {MOST_DIGITS}"
            )
            node.scalar = 0
        else:
            node.scalar = plain_value(event.value)

    def fill_pairs(self, node: Node, events: Iterator[Any], path: Path) -> None:
        assert node.pairs is not None
        seen: dict[str | int, Mark] = {}
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            key_node = self.node(event, events, (*path, "?"))
            mark, key, where = _mark(event), key_node.scalar, _dotted(path)
            child = self.node(next(events), events, (*path, _key_text(key)))
            if key_node.text is None:
                self.note(mark, where, "a list or a block of keys as a key", "a plain word")
            elif key_node.text == "<<" and not key_node.quoted:
                self.note(mark, where, "the merge key '<<'", "the keys written out")
            elif isinstance(key, (bool, float)) or key is None:
                shown = shortened(key_node.text) or "nothing"
                self.note(
                    mark, where, f"{shown} as a key", "text or a whole number; quotes make it text"
                )
            elif key in seen:
                self.note(
                    mark,
                    _dotted((*path, _key_text(key))),
                    "this key a second time",
                    f"each key once; the first is on line {seen[key].line}",
                )
            else:
                seen[key] = mark
                node.pairs.append((key, mark, child))


@dataclass(slots=True)
class Expansion:
    """Turns nodes into values, repeating those that aliases share, within bounds."""

    composer: Composer
    marks: dict[Path, Place] = field(default_factory=dict)

    def value_of(self, node: Node, path: Path, key: Mark | None) -> Any:
        if len(self.marks) >= MOST_VALUES or len(path) >= DEEPEST_NESTING:
            raise self.composer.stop(
                None,
                f"aliases that repeat more than {MOST_VALUES} values or {DEEPEST_NESTING} levels",
                "fewer aliases",
            )
        self.marks[path] = Place(key, node.mark, node.text, node.quoted)
        if node.items is not None:
            return [self.value_of(item, (*path, n), None) for n, item in enumerate(node.items)]
        if node.pairs is not None:
            return {
                name: self.value_of(child, (*path, name), mark) for name, mark, child in node.pairs
            }
        return node.scalar


def _mark(event: Any) -> Mark:
    return Mark(event.start_mark.line + 1, event.start_mark.column + 1)


def _dotted(path: Path) -> str:
    return ".".join(str(step + 1) if isinstance(step, int) else shortened(step) for step in path)


def _key_text(key: object) -> str:
    return str(key) if isinstance(key, (str, int)) else "?"


def _tag(tag: str) -> str:
    return tag.replace("tag:yaml.org,2002:", "!!")


def _is_whole_number(text: str) -> bool:
    return any(pattern.fullmatch(text) for pattern in (DECIMAL, OCTAL, HEXADECIMAL))
