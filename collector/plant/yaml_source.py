"""Reads a YAML file, and says of every value on which line it stands.

Used for plant files and for any other file that is read into a model (``validation.py``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

import yaml

from collector.errors import ConfigurationError, Problem
from collector.plant.findings import Finding, Path
from collector.plant.yaml_syntax import syntax_problem
from collector.plant.yaml_tree import Composer, Expansion, Place, shortened

LARGEST_FILE = 4 << 20  # bytes; a plant of a hundred panels takes a tenth of it

# Without the C library the same files are refused at the same bounds, only slower, and sentences
# about syntax are vaguer: it has other phrases.
LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

# YAML 1.2.2 section 5.1, c-printable. U+0085, U+2028 and U+2029 are printable but end no line
# there, while the parser (YAML 1.1) ends lines at them: they are refused, so that lines agree.
NOT_ALLOWED = re.compile(
    "[^\t\n\r\x20-\x7e\u00a0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


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
    composer = Composer(file)
    try:
        root = composer.document(yaml.parse(text, Loader=LOADER))
    except yaml.YAMLError as error:
        raise ConfigurationError([*composer.problems, syntax_problem(error, text, file)]) from error
    if root is None or (root.text == "" and not root.quoted):
        raise _whole(file, "an empty file", "a YAML document")
    expansion = Expansion(composer)
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
