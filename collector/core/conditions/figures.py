"""Checks figures: that they are numbers, and that they measure what they are compared with."""

from __future__ import annotations

from dataclasses import replace

from collector.core.conditions.contract import Fault, Name, Type
from collector.core.conditions.lexis import LARGEST_WHOLE
from collector.core.conditions.measures import (
    BARE,
    OF_LIMIT,
    OF_NAME,
    PLAIN,
    Disagreement,
    Measure,
)
from collector.core.conditions.source import Source
from collector.core.conditions.tree import Minus, Named, Node, Number, Sum, Text

A_TYPE: dict[Type, str] = {"yes or no": "yes or no", "number": "a number", "word": "a word"}


class FigureChecker:
    """Checks the figures of one condition.

    Args:
        source: with its names looked up; each that is missing has its fault already.

    Attributes:
        faults: what is wrong.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self.faults: list[Fault] = []

    def type_of(self, node: Node) -> Type | None:
        """What a part is; None for a name that there is not."""
        match node:
            case Number() | Minus() | Sum():
                return "number"
            case Text():
                return "word"
            case Named():
                meant = self._source.names.get(node.at)
                if meant is None:
                    return None
                return meant.type if isinstance(meant, Name) else "number"
        return "yes or no"

    def fault(self, node: Node, found: str, expected: str, nearest: str | None = None) -> None:
        """Keep a fault of a part; the words are as in ``Fault``."""
        self.faults.append(self._source.fault(node, found, expected, nearest))

    def disagreement(self, node: Node, fault: Disagreement) -> None:
        """Keep that two figures of a part cannot meet."""
        self.fault(fault.at or node, fault.found, fault.expected)

    def measure(self, node: Node, banded: Named | None = None) -> Measure | None:
        """What a part measures that has to be a number; None after a fault."""
        match node:
            case Number():
                whole = int(node.value) if node.whole else None
                return Measure(None, BARE, loose=node, largest=whole)
            case Minus():
                of = self.measure(node.of)
                if of is not None and of.shifted:
                    self.fault(node, "a negative temperature in °C", "a difference")
                    return None
                return of
            case Sum():
                return self._sum(node)
            case Named() if self.type_of(node) in ("number", None):
                return self._named(node, banded)
        kind = self.type_of(node)
        if kind is not None:
            found = f"'{self._source.part(node)}', which is {A_TYPE[kind]}"
            self.fault(node, found, "a number")
        return None

    def _named(self, node: Named, banded: Named | None) -> Measure | None:
        meant = self._source.names.get(node.at)
        if meant is None:
            return None
        if isinstance(meant, Name):
            unit = meant.unit or PLAIN
            return Measure(unit, OF_NAME, (node.at,), frozenset({unit.code}))
        if meant.deadband and node is not banded:
            expected = "such a limit alone on one side of < <= > >=, a figure on the other"
            self.fault(node, f"limit '{node.name}', which has a deadband", expected)
            return None
        return Measure(meant.unit, OF_LIMIT, (node.at,))

    def _sum(self, node: Sum) -> Measure | None:
        left, right = self.measure(node.left), self.measure(node.right)
        if left is None or right is None:
            return None
        units = self._source.units
        try:
            match node.operator:
                case "*":
                    found = units.times(left, right)
                case "/":
                    found = units.divided(left, right)
                case "%":
                    self.fault(node, "'%'", "no remainder: CEL has it of whole numbers only")
                    return None
                case _:
                    found = units.added(left, right, node.operator == "-")
        except Disagreement as fault:
            self.disagreement(node, fault)
            return None
        return self._whole(node, left, right, found)

    def _whole(self, node: Sum, left: Measure, right: Measure, found: Measure) -> Measure | None:
        """What CEL reckons in whole numbers must come out as we reckon it, in doubles."""
        if node.operator == "/" and isinstance(node.right, Number) and node.right.value == 0:
            self.fault(node.right, "a division by 0", "another divisor")
            return None
        if left.largest is None or right.largest is None:
            return replace(found, largest=None)
        if node.operator == "/":
            found_here = f"'{self._source.part(node)}', where CEL drops the remainder"
            self.fault(node, found_here, "a decimal point in one of the two, as in 7.0")
            return None
        times = node.operator == "*"
        largest = left.largest * right.largest if times else left.largest + right.largest
        if largest > LARGEST_WHOLE:
            self.fault(node, "a very large number", "a number that a plant could have")
            return None
        return replace(found, largest=largest, loose=node)
