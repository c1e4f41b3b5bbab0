"""Reads wrong files: changes of a right one (``every_kind.yaml``) and the exact messages they give.

A block of a ``wrong_*.txt`` file reads::

    # name of the case
    - text of the right file that is replaced
    + text that takes its place (left out to take the old text away)
    ! the whole message, one line for each problem
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
EVERY_KIND = HERE / "every_kind.yaml"


@dataclass(slots=True)
class WrongFile:
    """One case: what is changed, and what must be said."""

    name: str
    old: list[list[str]] = field(default_factory=list)
    new: list[list[str]] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)
    base: Path = EVERY_KIND

    @property
    def text(self) -> str:
        """The wrong file."""
        text = self.base.read_text(encoding="utf-8")
        for old_lines, new_lines in zip(self.old, self.new, strict=True):
            old = "\n".join(old_lines)
            assert text.count(old) == 1, f"{self.name}: {old!r} stands {text.count(old)} times"
            text = text.replace(old, "\n".join(new_lines))
        return text


def wrong_files(name: str, base: Path = EVERY_KIND) -> list[WrongFile]:
    """The cases of one file of them.

    Args:
        name: of the file, such as ``wrong_values.txt``.
        base: the right file they change; the cases are beside it.
    """
    cases: list[WrongFile] = []
    before = ""
    for line in (base.parent / name).read_text(encoding="utf-8").splitlines():
        mark, rest = line[:1], line[2:]
        if mark == "#":
            cases.append(WrongFile(rest, base=base))
        elif mark == "-":
            if before != "-":
                cases[-1].old.append([])
                cases[-1].new.append([])
            cases[-1].old[-1].append(rest)
        elif mark == "+":
            cases[-1].new[-1].append(rest)
        elif mark == "!":
            cases[-1].messages.append(rest)
        before = mark
    return cases
