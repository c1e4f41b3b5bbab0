"""The parts that a condition is made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Number:
    """A bare number; ``whole`` where CEL would reckon with it as a whole number."""

    first: int
    last: int
    value: float
    whole: bool


@dataclass(frozen=True, slots=True)
class Text:
    """A word in quotes."""

    first: int
    last: int
    value: str


@dataclass(frozen=True, slots=True)
class Truth:
    """``true`` or ``false``."""

    first: int
    last: int
    value: bool


@dataclass(frozen=True, slots=True)
class Named:
    """A name or limit; ``at`` is its token."""

    first: int
    last: int
    name: str
    at: int


@dataclass(frozen=True, slots=True)
class Minus:
    """The negative of a figure."""

    first: int
    last: int
    of: Node


@dataclass(frozen=True, slots=True)
class Sum:
    """``left`` plus, minus, times, divided by, or left over from ``right``."""

    first: int
    last: int
    operator: str
    left: Node
    right: Node

    @property
    def sides(self) -> tuple[Node, Node]:
        """Left and right."""
        return self.left, self.right


@dataclass(frozen=True, slots=True)
class Comparison:
    """``left`` compared with ``right``."""

    first: int
    last: int
    operator: str
    left: Node
    right: Node


@dataclass(frozen=True, slots=True)
class Inside:
    """``left`` is one of ``items``."""

    first: int
    last: int
    left: Node
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Call:
    """One of the functions of text."""

    first: int
    last: int
    function: str
    of: Named
    argument: Node


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite."""

    first: int
    last: int
    of: Node


@dataclass(frozen=True, slots=True)
class Joined:
    """All of ``parts`` for ``&&``, any of them for ``||``."""

    first: int
    last: int
    operator: str
    parts: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """``then`` where ``condition`` is so, and ``otherwise`` where it is not."""

    first: int
    last: int
    condition: Node
    then: Node
    otherwise: Node


Node = (
    Number | Text | Truth | Named | Minus | Sum | Comparison | Inside | Call | Not | Joined | Choice
)
"""A part of a condition; ``first`` and ``last`` are the tokens it is made of, brackets and all."""
