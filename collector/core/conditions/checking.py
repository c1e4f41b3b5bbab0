"""Checks a condition's types, units and words, and makes of it what is asked.

Every fault is kept and checking goes on, so that all that is wrong is said at once.
"""

from __future__ import annotations

from collector.core.conditions.contract import Limit, Name, Type
from collector.core.conditions.figures import A_TYPE, FigureChecker
from collector.core.conditions.leaves import LeafMaker, NotCompiled
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
    Disagreement,
)
from collector.core.conditions.source import Source
from collector.core.conditions.tree import (
    Call,
    Choice,
    Comparison,
    Inside,
    Joined,
    Minus,
    Named,
    Node,
    Not,
    Sum,
    Text,
    Truth,
)
from collector.core.conditions.wording import fact_in_words
from collector.plant.findings import nearest_name
from collector.units import Unit

ORDER = ("<", "<=", ">", ">=")


class Checker:
    """Checks one condition.

    Args:
        source: with its names looked up; each that is missing has its fault already.

    Attributes:
        faults: what is wrong.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._figures = FigureChecker(source)
        self.faults = self._figures.faults

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
        kind = self._figures.type_of(node)
        if isinstance(node, Named) and kind == "yes or no":
            name = self._source.names[node.at]
            assert isinstance(name, Name)
            return Fact(name.fact, fact_in_words(self._source, node.at, name))
        if kind is not None:
            expected = "something that is yes or no, such as a comparison"
            self._figures.fault(
                node, f"'{self._source.part(node)}', which is {A_TYPE[kind]}", expected
            )
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
        left, right = self._figures.type_of(node.left), self._figures.type_of(node.right)
        if left is None or right is None or left != right:
            if left is not None and right is not None:
                found = f"{A_TYPE[left]} compared with {A_TYPE[right]}"
                expected = f"{A_TYPE[left]} on both sides of '{node.operator}'"
                self._figures.fault(node, found, expected, self._quoted(node.left, node.right))
            self._look_into(node.left, left)
            self._look_into(node.right, right)
            return None
        if left == "number":
            return self._of_figures(node)
        if node.operator in ORDER:
            found = f"'{node.operator}' between what is {A_TYPE[left]}"
            self._figures.fault(node, found, "'==' or '!='; only numbers have an order")
            return None
        if left == "word":
            self._words([node.left, node.right])
            return self._leaf(node)
        sides = [self.term(node.left), self.term(node.right)]
        known = [side for side in sides if side is not None]
        return Same(known[0], known[1], node.operator == "!=") if len(known) == 2 else None

    def _of_figures(self, node: Comparison) -> Term | None:
        banded = self._banded(node)
        left = self._figures.measure(node.left, banded)
        right = self._figures.measure(node.right, banded)
        if left is None or right is None:
            return None
        try:
            agreed = self._source.units.agree(left, right)
        except Disagreement as fault:
            self._figures.disagreement(node, fault)
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
        kind, before = self._figures.type_of(node.left), len(self.faults)
        if kind == "yes or no":
            found = f"'{self._source.part(node.left)}', which is yes or no"
            self._figures.fault(node.left, found, "a number or word to the left of 'in'")
            self._look_into(node.left, kind)
            return None
        for item in node.items:
            other = self._figures.type_of(item)
            found = f"'{self._source.part(item)}' in a list"
            if any(self._source.names_in(item)) or other == "yes or no":
                self._figures.fault(item, found, "numbers, limits or words in quotes in a list")
            elif kind is not None and other is not None and other != kind:
                self._figures.fault(item, found, f"{A_TYPE[kind]}, as to the left of 'in'")
        if kind is None or len(self.faults) > before:
            self._look_into(node.left, kind)
            return None
        if kind == "word":
            self._words([node.left, *node.items])
            return self._leaf(node)
        return self._figure_inside(node)

    def _figure_inside(self, node: Inside) -> Term | None:
        agreed = self._figures.measure(node.left)
        for item in node.items:
            measure = self._figures.measure(item)
            if agreed is None or measure is None:
                return None
            try:
                agreed = self._source.units.agree(agreed, measure)
            except Disagreement as fault:
                self._figures.disagreement(item, fault)
                return None
        if agreed is None:
            return None
        self._source.units.settle(agreed, agreed.unit)
        return self._leaf(node, agreed.unit)

    def _call(self, node: Call) -> Term | None:
        for side in (node.of, node.argument):
            kind = self._figures.type_of(side)
            if kind is not None and kind != "word":
                found = f"'{self._source.part(side)}', which is {A_TYPE[kind]}"
                self._figures.fault(side, found, f"a word for {node.function}")
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
                    self._figures.fault(side, f"'{side.value}'", f"one of {words}", nearest)

    def _quoted(self, *sides: Node) -> str | None:
        """A number or word somebody may have put in quotes, or forgotten to."""
        for side in sides:
            if isinstance(side, Text) and side.value.replace(".", "", 1).isdecimal():
                return side.value
            if isinstance(side, Text) and side.value in ("true", "false"):
                return side.value
        return None

    def _look_into(self, node: Node, kind: Type | None) -> None:
        """Find the faults inside a part that is wrong as a whole."""
        if kind == "number" and isinstance(node, Minus | Sum):
            self._figures.measure(node)
        if kind == "yes or no" and not isinstance(node, Named):
            self.term(node)
