"""Reads a YAML file into plain values and remembers on which line each of them stands.

What a plain word means follows the core schema of YAML 1.2.2, section 10.3.2, and nothing else:
``no``, ``on``, ``12:30:45`` and ``2024-05-01`` are text, ``010`` is ten. Beyond that a file must be
something two readers cannot read differently, so duplicate keys, tags, merge keys, several
documents and keys that are neither text nor whole numbers are refused. Anchors and aliases are
allowed within bounds.

The values are built from the parser's events, not by its own loader: that keeps every mark, bounds
nesting and aliases before anything is built, and leaves no place for a tag to construct anything.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any, NamedTuple

import yaml

from collector.errors import ConfigurationError, Problem
from collector.plant.findings import Finding, Path
from collector.plant.yaml_syntax import syntax_problem

LARGEST_FILE = 4 << 20  # bytes; a plant of a hundred panels takes a tenth of it
MOST_VALUES = 200_000  # of a file, those that aliases repeat included
DEEPEST_NESTING = 40  # levels; a plant file needs eight
MOST_DIGITS = 40  # of a whole number; the largest 64-bit figure has 20

LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

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

# YAML 1.2.2 section 5.1, c-printable. U+0085, U+2028 and U+2029 are printable but end no line
# there, while the parser (YAML 1.1) ends lines at them: they are refused, so that lines agree.
NOT_ALLOWED = re.compile(
    "[^\t\n\r\x20-\x7e\u00a0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


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


@dataclass(frozen=True, slots=True)
class SourceTree:
    """A file as plain values, with the place of each.

    Args:
        file: name of the file as the user gave it.
        text: the whole file.
        data: dict, list, str, int, float, bool and None only; keys are str or int.
        marks: the place of the value at each path of keys and zero-based list positions; ``()`` is
            the root.
    """

    file: str
    text: str
    data: Any
    marks: Mapping[Path, Place]

    def value(self, path: Path) -> Any:
        """The value at a path; None where there is nothing."""
        value = self.data
        for step in path:
            try:
                value = value[step]
            except (KeyError, IndexError, TypeError):
                return None
        return value

    def dotted(self, path: Path) -> str:
        """A path as people read it: keys joined by dots, list items counted from one."""
        steps = []
        for depth, step in enumerate(path):
            in_list = isinstance(step, int) and isinstance(self.value(path[:depth]), list)
            steps.append(str(int(step) + 1) if in_list else shortened(str(step)))
        return ".".join(steps)

    def problem(self, finding: Finding) -> Problem:
        """The finding with its line and column; those of the nearest parent where it has none."""
        path = finding.path
        while path and path not in self.marks:
            path = path[:-1]
        place = self.marks[path]
        at_value = path == finding.path and not finding.at_key
        mark = place.value if at_value or place.key is None else place.key
        return Problem(
            self.file,
            mark.line,
            mark.column,
            self.dotted(finding.path),
            finding.found,
            finding.expected,
            finding.nearest,
        )

    def written(self, path: Path) -> str:
        """How the value at a path is written, for the sentence about it."""
        place = self.marks.get(path)
        if place is None:
            return "nothing"
        value = self.value(path)
        if isinstance(value, list):
            return f"a list of {len(value)}" if value else "an empty list"
        if isinstance(value, dict):
            return "a block of keys" if value else "an empty block"
        text = shortened(place.text or "")
        if isinstance(value, str):
            return f"'{text}'"
        return text or "nothing"


def shortened(text: str) -> str:
    """Text of a file on one line, cut where it gets long."""
    line = " ".join(text.split())
    return line if len(line) <= 60 else f"{line[:57]}..."


def read_yaml(
    source: FilePath | str, file_name: str | None = None, collect: list[Problem] | None = None
) -> SourceTree:
    """Read one YAML document.

    Args:
        source: a path to read, or the text itself.
        file_name: name of the file in messages; the path as given where it is left out.
        collect: takes problems that leave the file readable (a duplicate key, a tag ...), so that
            they can be told together with others; without it they are raised.

    Returns:
        The values and their places.

    Raises:
        ConfigurationError: the file cannot be read, is no YAML, or has such a problem.
    """
    file = file_name if file_name is not None else str(source)
    text = source if isinstance(source, str) else _text_of(source, file)
    if text.startswith("\ufeff"):
        text = text[1:]
    refused = NOT_ALLOWED.search(text)
    if refused:
        line = text.count("\n", 0, refused.start()) + 1
        column = refused.start() - (text.rfind("\n", 0, refused.start()) + 1) + 1
        raise _whole(
            file,
            f"the character U+{ord(refused.group()):04X}",
            "printable text; in double quotes it can be written as an escape",
            line,
            column,
        )
    composer = _Composer(file)
    try:
        root = composer.document(yaml.parse(text, Loader=LOADER))
    except yaml.YAMLError as error:
        raise ConfigurationError([*composer.problems, syntax_problem(error, text, file)]) from error
    if root is None or (root.text == "" and not root.quoted):
        raise _whole(file, "an empty file", "a YAML document")
    expansion = _Expansion(composer)
    tree = SourceTree(file, text, expansion.value_of(root, (), None), expansion.marks)
    if collect is not None:
        collect.extend(composer.problems)
    elif composer.problems:
        raise ConfigurationError(composer.problems)
    return tree


def _text_of(path: FilePath, file: str) -> str:
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError as error:
        raise _whole(file, "no such file", "the path of a readable file") from error
    except IsADirectoryError as error:
        raise _whole(file, "a directory", "a file") from error
    except PermissionError as error:
        raise _whole(
            file, "a file this user may not read", "read permission (chmod, or the group)"
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "a path the system refuses"
        raise _whole(file, f"'{reason}' on reading", "the path of a readable file") from error
    if len(content) > LARGEST_FILE:
        raise _whole(file, "more than 4 MiB", "a file of at most 4 MiB")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8")) + 1
        raise _whole(
            file,
            f"the byte 0x{content[error.start]:02X}, which is not UTF-8",
            "a file saved as UTF-8",
            line,
            column,
        ) from error


def _whole(
    file: str, found: str, expected: str, line: int | None = None, column: int | None = None
) -> ConfigurationError:
    return ConfigurationError([Problem(file, line, column, "", found, expected)])


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
class _Node:
    """A composed part of the document; aliases make several parents share one."""

    mark: Mark
    text: str | None = None
    quoted: bool = False
    scalar: str | int | float | bool | None = None
    items: list[_Node] | None = None
    pairs: list[tuple[str | int, Mark, _Node]] | None = None


@dataclass(slots=True)
class _Composer:
    """Builds nodes from parser events and notes what is refused."""

    file: str
    problems: list[Problem] = field(default_factory=list)
    anchors: dict[str, _Node] = field(default_factory=dict)
    count: int = 0

    def note(self, mark: Mark, where: str, found: str, expected: str) -> None:
        self.problems.append(Problem(self.file, mark.line, mark.column, where, found, expected))

    def stop(self, mark: Mark | None, found: str, expected: str) -> ConfigurationError:
        line, column = mark if mark is not None else (None, None)
        last = Problem(self.file, line, column, "", found, expected)
        return ConfigurationError([*self.problems, last])

    def document(self, events: Iterator[Any]) -> _Node | None:
        """The root of the only document, or None where there is none."""
        root: _Node | None = None
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

    def node(self, event: Any, events: Iterator[Any], path: Path) -> _Node:
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
        node = _Node(mark)
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

    def fill_scalar(self, node: _Node, event: Any, path: Path) -> None:
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

    def fill_pairs(self, node: _Node, events: Iterator[Any], path: Path) -> None:
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
class _Expansion:
    """Turns nodes into values, repeating those that aliases share, within bounds."""

    composer: _Composer
    marks: dict[Path, Place] = field(default_factory=dict)

    def value_of(self, node: _Node, path: Path, key: Mark | None) -> Any:
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
