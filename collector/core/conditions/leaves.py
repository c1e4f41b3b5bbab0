"""From a checked comparison to the program that the CEL library runs.

Names become variables, limits and whole numbers become doubles, since CEL does not mix whole
numbers and doubles in arithmetic and facts are doubles. CEL divides doubles as IEEE 754 does, so
that a division by zero gives infinity or no number; here it has to be unknown. So a program asks
before each division whether the divisor is nought, and whether sides with arithmetic are within the
range of doubles; ``null`` stands for no answer.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator

import cel

from collector.core.conditions.contract import Fault, Limit, Name
from collector.core.conditions.logic import DEADBAND_VARIABLE, Band, Leaf, Points, Reading, seen_in
from collector.core.conditions.measures import PLAIN
from collector.core.conditions.source import Source
from collector.core.conditions.tree import (
    Call,
    Comparison,
    Inside,
    Minus,
    Named,
    Node,
    Number,
    Sum,
    Text,
)
from collector.core.conditions.wording import (
    call_in_words,
    comparison_in_words,
    inside_in_words,
)
from collector.units import Unit

LARGEST = repr(1.7976931348623157e308)
"""Largest double (IEEE 754)."""

MOST_PROGRAMS = 2_000

OTHER_WORD = "\0"
"""Stands for any word that nobody has named."""


class NotCompiled(Exception):
    """The library does not take what this package has read."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(fault.found)


def program_of(text: str, fault: Fault) -> cel.Program:
    """Compile CEL.

    Args:
        text: CEL.
        fault: what to say if it cannot be compiled.

    Raises:
        NotCompiled: it cannot.
    """
    try:
        return _compiled(text)
    except ValueError as error:
        raise NotCompiled(fault) from error


# A rule makes the same text for each piece of equipment; a program has no state, weighs 100 kB and
# takes a millisecond to make.
_compiled = functools.lru_cache(MOST_PROGRAMS)(cel.compile)


class LeafMaker:
    """Makes the program and the words of one comparison.

    Args:
        source: whole condition, with the units settled.
        node: the comparison.
        unit: that its figures are compared in.
        banded: its limit with a deadband, if that is one side.
    """

    def __init__(
        self, source: Source, node: Node, unit: Unit | None = None, banded: Named | None = None
    ) -> None:
        self._source = source
        self._node = node
        self._unit = unit
        self._banded = banded
        self._variables: dict[tuple[str, Unit | None], Reading] = {}
        self._written: dict[int, str] = {}
        for at in range(node.first, node.last + 1):
            self._written[at] = self._token(at)

    def leaf(self) -> Leaf:
        """The comparison, ready to be asked.

        Raises:
            NotCompiled: the library does not take it.
        """
        node, source = self._node, self._source
        text = self._text(node)
        guards = [guard for side in _sides(node) for guard in self._guards(side)]
        if guards:
            text = f"({' && '.join(guards)}) ? ({text}) : null"
        fault = source.fault(node, f"'{source.part(node)}'", "a plainer comparison")
        program = program_of(text, fault)
        means = ""
        match node:
            case Comparison():
                means = comparison_in_words(source, node, self._unit)
            case Inside():
                means = inside_in_words(source, node, self._unit)
            case Call():
                means = call_in_words(source, node)
        readings = tuple(self._variables.values())
        return Leaf(readings, program, means, self._band(), self._points())

    # --- text of the program --------------------------------------------------------------------

    def _text(self, node: Node) -> str:
        return " ".join(self._written[at] for at in range(node.first, node.last + 1))

    def _token(self, at: int) -> str:
        token, meant = self._source.tokens[at], self._source.names.get(at)
        if token.kind == "number":
            return repr(float(token.text))
        if isinstance(meant, Limit):
            if self._banded is not None and self._banded.at == at:
                return DEADBAND_VARIABLE
            figure = in_unit(meant, self._read_in(at))
            return repr(figure) if figure >= 0 else f"({figure!r})"
        if isinstance(meant, Name):
            unit = self._read_in(at) if meant.type == "number" else None
            key = (meant.fact, unit)
            if key not in self._variables:
                variable = f"v{len(self._variables)}"
                self._variables[key] = Reading(variable, meant.fact, meant.type, unit)
            called = self._source.tokens[at + 1].text == "("
            function = f".{token.text.rpartition('.')[2]}" if called else ""
            return self._variables[key].variable + function
        return token.text

    def _read_in(self, at: int) -> Unit:
        return self._source.units.read_in.get(at, PLAIN)

    def _guards(self, side: Node) -> Iterator[str]:
        yield from self._divisors(side)
        if isinstance(side, Minus | Sum):
            text = self._text(side)
            yield f"-{LARGEST} <= {text} && {text} <= {LARGEST}"

    def _divisors(self, node: Node) -> Iterator[str]:
        if isinstance(node, Minus):
            yield from self._divisors(node.of)
        if isinstance(node, Sum):
            yield from self._divisors(node.left)
            yield from self._divisors(node.right)
            if node.operator == "/" and not isinstance(node.right, Number):
                text = self._text(node.right)
                yield f"{text} != 0.0 && -{LARGEST} <= {text} && {text} <= {LARGEST}"

    # --- deadband, and where it changes its mind ------------------------------------------------

    def _band(self) -> Band | None:
        node, banded = self._node, self._banded
        if banded is None or not isinstance(node, Comparison):
            return None
        limit, unit = self._limit(banded), self._read_in(banded.at)
        width = limit.deadband * limit.unit.si_factor / unit.si_factor
        # It holds above the limit where the limit is to the right of '>' or to the left of '<'.
        above = (node.operator in (">", ">=")) == (node.right is banded)
        figure = in_unit(limit, unit)
        key = str(self._source.offsets(node)[0])
        return Band(key, figure, figure - width if above else figure + width)

    def _limit(self, banded: Named) -> Limit:
        limit = self._source.names[banded.at]
        assert isinstance(limit, Limit)
        return limit

    def _points(self) -> Points | None:
        """Where a comparison of one fact with constants changes its mind."""
        named = [side for side in _sides(self._node) if any(self._source.names_in(side))]
        if len(named) != 1 or not isinstance(named[0], Named):
            return None
        name = self._source.names[named[0].at]
        if not isinstance(name, Name):
            return None
        constants = [side for side in _sides(self._node) if side is not named[0]]
        if name.type == "word":
            literals = [side.value for side in constants if isinstance(side, Text)]
            if not name.words and isinstance(self._node, Call):
                return None
            words = name.words or (*literals, OTHER_WORD)
            return Points(name.fact, None, tuple(words))
        figures = tuple(figure for side in constants for figure in self._constant(side))
        if len(figures) < len(constants):
            return None
        return Points(name.fact, self._read_in(named[0].at), figures)

    def _constant(self, side: Node) -> Iterator[float]:
        if side is self._banded and self._banded is not None:
            yield in_unit(self._limit(self._banded), self._read_in(self._banded.at))
            return
        text = self._text(side)
        value = program_of(text, self._source.fault(side, text, "a plainer figure")).execute({})
        if isinstance(value, float) and math.isfinite(value):
            yield value


def in_unit(limit: Limit, unit: Unit) -> float:
    """A limit in another unit of its kind; untouched in its own."""
    return limit.value if unit == limit.unit else seen_in(unit, limit.unit.to_si(limit.value))


def _sides(node: Node) -> list[Node]:
    match node:
        case Comparison():
            return [node.left, node.right]
        case Inside():
            return [node.left, *node.items]
        case Call():
            return [node.of, node.argument]
    return []
