"""Reads rule files and binds them to a plant: the rules the desk runs.

Files are read in the order given, those of a directory by name. A later file may take the place of
a rule (``replaces: true``) or drop it (``switched_off: true``); anything else of the same name is a
mistake. All problems of all files are told at once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from collector.core.alarms.rule import AlarmRule
from collector.errors import ConfigurationError, Problem
from collector.plant.findings import Finding, nearest_name
from collector.plant.model import Plant
from collector.plant.validation import in_file_order
from collector.plant.yaml_source import SourceTree, read_yaml
from collector.rulebook.binding import Binder, Binding
from collector.rulebook.model import AlarmEntry, SwitchedOff
from collector.rulebook.reading import Entry, entries_of

SHIPPED = Path(__file__).parents[2] / "rules"
"""The rules that come with the program, which stand beside its package."""


@dataclass(frozen=True, slots=True)
class RuleSet:
    """Rules of one or more files, bound to a plant.

    Args:
        files: path as given and text of each file.
        alarms: the rules.
        bindings: the same by entry, with what they are left out for; for people.
    """

    files: tuple[tuple[str, str], ...]
    alarms: tuple[AlarmRule, ...]
    bindings: tuple[Binding, ...] = ()

    @property
    def hash(self) -> str:
        """SHA-256 of the files' names, without their directories, and texts, in hexadecimal."""
        digest = hashlib.sha256()
        for path, text in self.files:
            for part in (Path(path).name, text):
                content = part.encode()
                digest.update(len(content).to_bytes(8, "big") + content)
        return digest.hexdigest()


def read_rules(paths: Sequence[Path], plant: Plant) -> RuleSet:
    """Read rule files and bind them.

    Args:
        paths: files, or directories whose ``*.yaml`` are read.
        plant: a checked plant file.

    Raises:
        ConfigurationError: everything that is wrong with them.
    """
    return _bound(read_book(files_of(paths)), plant)


def parse_rules(files: Iterable[tuple[str, str]], plant: Plant) -> RuleSet:
    """Bind rule files that are already in memory.

    Args:
        files: name and text of each.
        plant: a checked plant file.

    Raises:
        ConfigurationError: everything that is wrong with them.
    """
    return _bound(parse_book(files), plant)


def files_of(paths: Iterable[Path]) -> list[Path]:
    """The rule files at some paths, directories replaced by their ``*.yaml`` by name.

    Raises:
        ConfigurationError: a directory has none.
    """
    found: list[Path] = []
    for path in paths:
        if not path.is_dir():
            found.append(path)
            continue
        inside = sorted(path.glob("*.yaml"))
        if not inside:
            raise ConfigurationError(
                [Problem(str(path), None, None, "", "a directory without *.yaml", "rule files")]
            )
        found += inside
    return found


# --- files, without a plant ---------------------------------------------------------------------


@dataclass(slots=True)
class Book:
    """Rule files as read, before a plant.

    Args:
        trees: the files that are YAML.
        entries: the rules in force, later ones in the place of earlier ones.
        found: everything wrong with the files.
    """

    trees: list[SourceTree] = field(default_factory=list)
    entries: dict[str, tuple[Entry, AlarmEntry]] = field(default_factory=dict)
    found: list[Problem] = field(default_factory=list)

    @property
    def problems(self) -> list[Problem]:
        """Everything wrong with the files, as a person goes through them."""
        order = list(dict.fromkeys(problem.file for problem in self.found))
        return [
            problem
            for file in order
            for problem in in_file_order([each for each in self.found if each.file == file])
        ]

    def add(self, source: Path | str, name: str) -> None:
        """Read one more file.

        Args:
            source: its path, or its text.
            name: as problems are to name it.
        """
        noted: list[Problem] = []
        try:
            tree = read_yaml(source, name, noted)
        except ConfigurationError as error:
            self.found += error.problems
            return
        self.trees.append(tree)
        entries, problems = entries_of(tree)
        for entry in entries:
            problems += [tree.problem(each) for each in self._take(entry)]
        self.found += [*noted, *problems]

    def _take(self, entry: Entry) -> list[Finding]:
        name, rule = entry.name, entry.rule
        before = self.entries.get(name)
        if isinstance(rule, SwitchedOff) or rule.replaces:
            if before is None or before[0].tree is entry.tree:
                word = "switched_off" if isinstance(rule, SwitchedOff) else "replaces"
                nearest = nearest_name(name, self.entries)
                expected = "the name of a rule in a file before this one"
                return [Finding((*entry.path, word), f"'{name}'", expected, nearest, at_key=True)]
        elif before is not None:
            return [
                Finding(
                    entry.path,
                    f"the rule '{name}' again, which is in {before[0].source}",
                    "another name, or 'replaces: true' to take its place",
                    at_key=True,
                )
            ]
        if isinstance(rule, SwitchedOff):
            self.entries.pop(name)
        else:
            self.entries[name] = (entry, rule)
        return []


def read_book(paths: Iterable[Path]) -> Book:
    """Read rule files; what is wrong is in the book."""
    book = Book()
    for path in paths:
        book.add(path, str(path))
    return book


def parse_book(files: Iterable[tuple[str, str]]) -> Book:
    """Read rule files in memory, each a name and a text; what is wrong is in the book."""
    book = Book()
    for name, text in files:
        book.add(text, name)
    return book


def bindings_of(book: Book, plant: Plant) -> list[Binding]:
    """The rules of a book in a plant; what is wrong with them is added to the book."""
    binder, found = Binder(plant), []
    for entry, rule in book.entries.values():
        bound = binder.bind(entry, rule)
        book.found += bound if isinstance(bound, list) else bound.problems
        if isinstance(bound, Binding):
            found.append(bound)
    return found


def _bound(book: Book, plant: Plant) -> RuleSet:
    bindings = bindings_of(book, plant)
    if book.problems:
        raise ConfigurationError(book.problems)
    return RuleSet(
        tuple((tree.file, tree.text) for tree in book.trees),
        tuple(alarm for binding in bindings for alarm in binding.alarms),
        tuple(bindings),
    )
