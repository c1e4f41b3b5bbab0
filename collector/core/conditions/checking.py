"""Checks a condition's types, units and words, and makes of it what is asked.

Every fault is kept and checking goes on, so that all that is wrong is said at once.
"""

from __future__ import annotations

from dataclasses import replace

from collector.core.conditions.contract import Fault, Limit, Name, Type
from collector.core.conditions.grammar import (
    Call,
    Choice,
    Comparison,
    Inside,
    Joined,
    Minus,
    Named,
    Node,
    Not,
    Number,
    Sum,
    Text,
    Truth,
)
from collector.core.conditions.leaves import LeafMaker, NotCompiled
from collector.core.conditions.lexis import LARGEST_WHOLE
from collector.core.conditions.logic import (
    Always,
    Fact,
    Group,
    Leaf,
    Opposite,
    Same,
    Selected,
    Term,
)
from collector.core.conditions.measures import (
    BARE,
    OF_LIMIT,
    OF_NAME,
    PLAIN,
    Disagreement,
    Measure,
)
from collector.core.conditions.source import Source
from collector.core.conditions.wording import fact_in_words
from collector.plant.findings import nearest_name
from collector.units import Unit

ORDER = ("<", "<=", ">", ">=")
A_TYPE: dict[Type, str] = {"yes or no": "yes or no", "number": "a number", "word": "a word"}


class Checker:
    """Checks one condition.

    Args:
        source: with its names looked up; each that is missing has its fault already.

    Attributes:
        faults: what is wrong.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self.faults: list[Fault] = []

    def term(self, node: Node) -> Term | None:
        """A part that has to be yes or no; None after a fault."""
        match node:
            case Truth():
                return Always(node.value)
            case Not():
                of = self.term(node.of)
                return None if of is None else Opposite(of)
            case Joined():
                return self._group(node)
            case Choice():
                parts = [self.term(each) for each in (node.condition, node.then, node.otherwise)]
                known = [part for part in parts if part is not None]
                return Selected(*known) if len(known) == 3 else None
            case Comparison():
                return self._comparison(node)
            case Inside():
                return self._inside(node)
            case Call():
                return self._call(node)
        return self._fact(node)

    def _fact(self, node: Node) -> Term | None:
        kind = self._type(node)
        if isinstance(node, Named) and kind == "yes or no":
            name = self._source.names[node.at]
            assert isinstance(name, Name)
            return Fact(name.fact, fact_in_words(self._source, node.at, name))
        if kind is not None:
            expected = "something that is yes or no, such as a comparison"
            self._fault(node, f"'{self._source.part(node)}', which is {A_TYPE[kind]}", expected)
        self._look_into(node, kind)
        return None

    def _group(self, node: Joined) -> Term | None:
        terms = [self.term(part) for part in node.parts]
        known = tuple(term for term in terms if term is not None)
        if len(known) < len(terms):
            return None
        return Group(known, node.operator == "||", any(term.keeps for term in known))

    # --- comparisons ----------------------------------------------------------------------------

    def _comparison(self, node: Comparison) -> Term | None:
        left, right = self._type(node.left), self._type(node.right)
        if left is None or right is None or left != right:
            if left is not None and right is not None:
                found = f"{A_TYPE[left]} compared with {A_TYPE[right]}"
                expected = f"{A_TYPE[left]} on both sides of '{node.operator}'"
                self._fault(node, found, expected, self._quoted(node.left, node.right))
            self._look_into(node.left, left)
            self._look_into(node.right, right)
            return None
        if left == "number":
            return self._figures(node)
        if node.operator in ORDER:
            found = f"'{node.operator}' between what is {A_TYPE[left]}"
            self._fault(node, found, "'==' or '!='; only numbers have an order")
        if left == "word":
            self._words([node.left, node.right])
            return self._leaf(node)
        sides = [self.term(node.left), self.term(node.right)]
        known = [side for side in sides if side is not None]
        return Same(known[0], known[1], node.operator == "!=") if len(known) == 2 else None

    def _figures(self, node: Comparison) -> Term | None:
        banded = self._banded(node)
        left = self._measure(node.left, banded)
        right = self._measure(node.right, banded)
        if left is None or right is None:
            return None
        try:
            agreed = self._source.units.agree(left, right)
        except Disagreement as fault:
            self._disagreement(node, fault)
            return None
        self._source.units.settle(agreed, agreed.unit)
        return self._leaf(node, agreed.unit, banded)

    def _banded(self, node: Comparison) -> Named | None:
        """The side that is a limit with a deadband, where the other is a figure of the plant."""
        for side, other in ((node.left, node.right), (node.right, node.left)):
            if isinstance(side, Named) and node.operator in ORDER:
                limit = self._source.names.get(side.at)
                if (
                    isinstance(limit, Limit)
                    and limit.deadband
                    and any(self._source.names_in(other))
                ):
                    return side
        return None

    def _inside(self, node: Inside) -> Term | None:
        kind, before = self._type(node.left), len(self.faults)
        for item in node.items:
            other = self._type(item)
            found = f"'{self._source.part(item)}' in a list"
            if any(self._source.names_in(item)) or other == "yes or no":
                self._fault(item, found, "numbers, limits or words in quotes in a list")
            elif kind is not None and other is not None and other != kind:
                self._fault(item, found, f"{A_TYPE[kind]}, as to the left of 'in'")
        if kind == "yes or no":
            found = f"'{self._source.part(node.left)}', which is yes or no"
            self._fault(node.left, found, "a number or word to the left of 'in'")
        if kind is None or len(self.faults) > before:
            self._look_into(node.left, kind)
            return None
        if kind == "word":
            self._words([node.left, *node.items])
            return self._leaf(node)
        return self._figure_inside(node)

    def _figure_inside(self, node: Inside) -> Term | None:
        agreed = self._measure(node.left)
        for item in node.items:
            measure = self._measure(item)
            if agreed is None or measure is None:
                return None
            try:
                agreed = self._source.units.agree(agreed, measure)
            except Disagreement as fault:
                self._disagreement(item, fault)
                return None
        if agreed is None:
            return None
        self._source.units.settle(agreed, agreed.unit)
        return self._leaf(node, agreed.unit)

    def _call(self, node: Call) -> Term | None:
        for side in (node.of, node.argument):
            kind = self._type(side)
            if kind is not None and kind != "word":
                found = f"'{self._source.part(side)}', which is {A_TYPE[kind]}"
                self._fault(side, found, f"a word for {node.function}")
        return self._leaf(node)

    def _leaf(
        self, node: Node, unit: Unit | None = None, banded: Named | None = None
    ) -> Leaf | None:
        if self.faults:
            return None
        try:
            return LeafMaker(self._source, node, unit, banded).leaf()
        except NotCompiled as error:
            self.faults.append(error.fault)
            return None

    # --- words ----------------------------------------------------------------------------------

    def _words(self, sides: list[Node]) -> None:
        """Words in quotes are among those that the name beside them may have."""
        for named in sides:
            name = self._source.names.get(named.at) if isinstance(named, Named) else None
            if not isinstance(name, Name) or not name.words:
                continue
            for side in sides:
                if isinstance(side, Text) and side.value not in name.words:
                    words = ", ".join(f"'{word}'" for word in name.words)
                    nearest = nearest_name(side.value, name.words)
                    self._fault(side, f"'{side.value}'", f"one of {words}", nearest)

    def _quoted(self, *sides: Node) -> str | None:
        """A number or word somebody may have put in quotes, or forgotten to."""
        for side in sides:
            if isinstance(side, Text) and side.value.replace(".", "", 1).isdecimal():
                return side.value
            if isinstance(side, Text) and side.value in ("true", "false"):
                return side.value
        return None

    # --- figures --------------------------------------------------------------------------------

    def _measure(self, node: Node, banded: Named | None = None) -> Measure | None:
        """What a part measures that has to be a number; None after a fault."""
        match node:
            case Number():
                whole = int(node.value) if node.whole else None
                return Measure(None, BARE, loose=node, largest=whole)
            case Minus():
                of = self._measure(node.of)
                if of is not None and of.shifted:
                    self._fault(node, "a negative temperature in °C", "a difference")
                    return None
                return of
            case Sum():
                return self._sum(node)
            case Named() if self._type(node) in ("number", None):
                return self._named(node, banded)
        kind = self._type(node)
        if kind is not None:
            found = f"'{self._source.part(node)}', which is {A_TYPE[kind]}"
            self._fault(node, found, "a number")
        self._look_into(node, kind)
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
            self._fault(node, f"limit '{node.name}', which has a deadband", expected)
            return None
        return Measure(meant.unit, OF_LIMIT, (node.at,))

    def _sum(self, node: Sum) -> Measure | None:
        left, right = self._measure(node.left), self._measure(node.right)
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
                    self._fault(node, "'%'", "no remainder: CEL has it of whole numbers only")
                    return None
                case _:
                    found = units.added(left, right, node.operator == "-")
        except Disagreement as fault:
            self._disagreement(node, fault)
            return None
        return self._whole(node, left, right, found)

    def _whole(self, node: Sum, left: Measure, right: Measure, found: Measure) -> Measure | None:
        """What CEL reckons in whole numbers must come out as we reckon it, in doubles."""
        if node.operator == "/" and isinstance(node.right, Number) and node.right.value == 0:
            self._fault(node.right, "a division by 0", "another divisor")
            return None
        if left.largest is None or right.largest is None:
            return replace(found, largest=None)
        if node.operator == "/":
            found_here = f"'{self._source.part(node)}', where CEL drops the remainder"
            self._fault(node, found_here, "a decimal point in one of the two, as in 7.0")
            return None
        times = node.operator == "*"
        largest = left.largest * right.largest if times else left.largest + right.largest
        if largest > LARGEST_WHOLE:
            self._fault(node, "a very large number", "a number that a plant could have")
            return None
        return replace(found, largest=largest, loose=node)

    # --- types and faults -----------------------------------------------------------------------

    def _type(self, node: Node) -> Type | None:
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

    def _look_into(self, node: Node, kind: Type | None) -> None:
        """Find the faults inside a part that is wrong as a whole."""
        if kind == "number" and isinstance(node, Minus | Sum):
            self._measure(node)
        if kind == "yes or no" and not isinstance(node, Named):
            self.term(node)

    def _fault(self, node: Node, found: str, expected: str, nearest: str | None = None) -> None:
        self.faults.append(self._source.fault(node, found, expected, nearest))

    def _disagreement(self, node: Node, fault: Disagreement) -> None:
        self._fault(fault.at or node, fault.found, fault.expected)
