"""Conditions in plain words."""

from __future__ import annotations

from collector.core.conditions.contract import Limit, Name
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
from collector.units import Unit

THIS = "this"
IS = {
    "<": "is below",
    "<=": "is at most",
    ">": "is above",
    ">=": "is at least",
    "==": "is",
    "!=": "is not",
}
TURNED = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "==": "==", "!=": "!="}
SIGNS = {"*": "×", "/": "÷", "+": "+", "-": "-"}
DOES = {"startsWith": "begins with", "endsWith": "ends with", "contains": "contains"}


def explained(term: Term) -> str:
    """A condition as part of a sentence, without a full stop."""
    match term:
        case Always():
            return "always" if term.value else "never"
        case Fact() | Leaf():
            return term.means
        case Opposite():
            return f"not {_bracketed(term.of)}"
        case Group():
            parts = [_bracketed(part) for part in term.parts]
            return (", or " if term.any_of else ", and ").join(parts)
        case Same():
            between = "if and only if not" if term.differ else "if and only if"
            return f"{_bracketed(term.left)} {between} {_bracketed(term.right)}"
        case Selected():
            then, otherwise = _bracketed(term.then), _bracketed(term.otherwise)
            return f"if {_bracketed(term.condition)}: {then}; otherwise: {otherwise}"
    raise TypeError(f"no words for {type(term).__name__}")


def _bracketed(term: Term) -> str:
    words = explained(term)
    return f"({words})" if isinstance(term, Group | Same | Selected) else words


def fact_in_words(source: Source, at: int, name: Name) -> str:
    """A name as people say it: ``time to overflow of collection``."""
    text = source.tokens[at].text
    written = name.fact if text.startswith(THIS) else ".".join(text.split(".")[:2])
    owner, _, last = written.partition(".")
    return f"{last} of {owner}".replace("_", " ")


def comparison_in_words(source: Source, node: Comparison, unit: Unit | None) -> str:
    """A comparison, the facts of the plant first.

    Args:
        source: whole condition.
        node: of it.
        unit: in which its bare numbers are meant.
    """
    left, right, operator = node.left, node.right, node.operator
    if not any(source.names_in(left)):
        left, right, operator = right, left, TURNED[operator]
    return f"{_side(source, left, unit)} {IS[operator]} {_side(source, right, unit)}"


def inside_in_words(source: Source, node: Inside, unit: Unit | None) -> str:
    """That something is one of a list; arguments as above."""
    items = ", ".join(_side(source, item, unit) for item in node.items)
    return f"{_side(source, node.left, unit)} is one of {items}"


def call_in_words(source: Source, node: Call) -> str:
    """What a text begins with, ends with or contains."""
    argument = _side(source, node.argument, None)
    return f"{_side(source, node.of, None)} {DOES[node.function]} {argument}"


def _side(source: Source, node: Node, unit: Unit | None) -> str:
    match node:
        case Number():
            return _figure(node.value, unit)
        case Text():
            return f"'{node.value}'"
        case Named():
            meant = source.names[node.at]
            if isinstance(meant, Name):
                return fact_in_words(source, node.at, meant)
            return _limit(node.name, meant)
        case Minus():
            return f"-{_side(source, node.of, unit)}"
        case Sum():
            sides = [_side(source, each, _unit_of(source, node, each, unit)) for each in node.sides]
            words = f" {SIGNS[node.operator]} ".join(sides)
            return f"({words})" if node.first < node.left.first else words
    raise TypeError(f"no words for {type(node).__name__}")


def _unit_of(source: Source, node: Sum, side: Node, unit: Unit | None) -> Unit | None:
    """The unit in which bare numbers of one side of an operation are meant."""
    if node.operator in "+-":
        return unit
    # A factor has no unit; what is added within a factor has that of the figures there.
    read_in = source.units.read_in
    return next((read_in[at] for at in range(side.first, side.last + 1) if at in read_in), None)


def _limit(name: str, limit: Limit) -> str:
    deadband = f", deadband {_figure(limit.deadband, limit.unit)}" if limit.deadband else ""
    return f"{_figure(limit.value, limit.unit)} ({name.replace('_', ' ')}{deadband})"


def _figure(value: float, unit: Unit | None) -> str:
    label = unit.label if unit is not None else ""
    return f"{value:.10g} {label}".rstrip()
