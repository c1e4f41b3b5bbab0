"""From tokens to the tree of a condition: the part of the CEL grammar that conditions may use.

Source: Common Expression Language, language definition, section "Syntax". Whatever this accepts is
CEL; it leaves out macros, function calls other than three of text, indexing, selection from
anything but a name, and the building of lists (but to the right of ``in``), maps and messages, and
it takes one comparison at a time (``a < b < c`` is CEL, but not what its writer means). With a
length and a depth that are bounded, no condition takes long to read.
"""

from __future__ import annotations

from dataclasses import replace

from collector.core.conditions.contract import Fault
from collector.core.conditions.lexis import Token, meant_sign, nearest_function
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
    Number,
    Sum,
    Text,
    Truth,
)

DEEPEST = 32
MOST_IN_A_ROW = 64
MOST_ITEMS = 64
FUNCTIONS = ("startsWith", "endsWith", "contains")
RELATIONS = ("<", "<=", ">", ">=", "==", "!=", "in")


class NotTheGrammar(Exception):
    """Reading stopped here; it never leaves this package."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(fault.found)


class Parser:
    """Reads one condition by recursive descent, a method for each rule of the grammar.

    Args:
        tokens: of the condition; the last is of the kind ``end``.
    """

    def __init__(self, tokens: list[Token]) -> None:
        self._tokens = tokens
        self._at = 0
        self._depth = -1  # the condition itself is no level

    def whole(self) -> Node:
        """The tree of the whole condition.

        Raises:
            NotTheGrammar: it cannot be read; no reading goes on after that.
        """
        if len(self._tokens) == 1:
            raise NotTheGrammar(Fault(0, 0, "an empty condition", "what has to be so"))
        node = self._expression()
        if self._next.kind != "end":
            raise self._unexpected("an operator such as '&&', or the end")
        return node

    # --- rules of the grammar, the loosest first ------------------------------------------------

    def _expression(self) -> Node:
        self._deeper()
        node = self._joined("||")
        if self._take("?"):
            then = self._joined("||")
            self._need(":", "':' and what is so otherwise (CEL wants brackets around a '?' here)")
            otherwise = self._expression()
            node = Choice(node.first, otherwise.last, node, then, otherwise)
        self._depth -= 1
        return node

    def _joined(self, operator: str) -> Node:
        parts = [self._joined("&&") if operator == "||" else self._relation()]
        while self._take(operator):
            parts.append(self._joined("&&") if operator == "||" else self._relation())
        if len(parts) == 1:
            return parts[0]
        return Joined(parts[0].first, parts[-1].last, operator, tuple(parts))

    def _relation(self) -> Node:
        left = self._sum(("+", "-"))
        operator = self._next.text if self._next.kind == "sign" else ""
        if operator not in RELATIONS:
            return left
        self._at += 1
        node: Node
        if operator == "in":
            node = self._inside(left)
        else:
            right = self._sum(("+", "-"))
            node = Comparison(left.first, right.last, operator, left, right)
        if self._next.kind == "sign" and self._next.text in RELATIONS:
            raise self._unexpected("one comparison at a time, joined by '&&'")
        return node

    def _inside(self, left: Node) -> Node:
        self._need("[", "a list to the right of 'in', as in ['a', 'b']")
        items = [self._sum(("+", "-"))]
        while self._take(","):
            items.append(self._sum(("+", "-")))
            if len(items) > MOST_ITEMS:
                raise self._unexpected(f"a list of at most {MOST_ITEMS}")
        last = self._need("]", "',' or ']'")
        return Inside(left.first, last, left, tuple(items))

    def _sum(self, operators: tuple[str, ...]) -> Node:
        tighter = ("*", "/", "%")
        node = self._unary() if operators == tighter else self._sum(tighter)
        count = 0
        while self._next.kind == "sign" and self._next.text in operators:
            count += 1
            if count > MOST_IN_A_ROW:
                raise self._unexpected(f"at most {MOST_IN_A_ROW} figures in a row")
            operator = self._next.text
            self._at += 1
            right = self._unary() if operators == tighter else self._sum(tighter)
            node = Sum(node.first, right.last, operator, node, right)
        return node

    def _unary(self) -> Node:
        first, operator = self._at, self._next.text
        if self._next.kind != "sign" or operator not in ("!", "-"):
            return self._primary()
        while self._take(operator):
            pass
        count = self._at - first
        if count > DEEPEST:
            self._at = first
            raise self._unexpected(f"at most {DEEPEST} of it in a row")
        of = self._primary()
        if count % 2 == 0 and operator == "!":
            # Twice not is so; the tokens stay as they are written.
            return Not(first, of.last, Not(first + 1, of.last, of))
        return Not(first, of.last, of) if operator == "!" else Minus(first, of.last, of)

    def _primary(self) -> Node:
        token, at = self._next, self._at
        if token.kind == "sign":
            return self._bracketed()
        self._at += 1
        if token.kind == "number":
            return Number(at, at, float(token.text), token.text.isdigit())
        if token.kind == "text":
            return Text(at, at, token.text[1:-1])
        if token.kind == "name":
            if token.text in ("true", "false"):
                return Truth(at, at, token.text == "true")
            if self._next.text == "(":
                return self._call(token, at)
            if meant_sign(token) is None:
                return Named(at, at, token.text, at)
        self._at = at
        raise self._unexpected("a name, number, word in quotes, '!' or '('")

    def _bracketed(self) -> Node:
        first = self._at
        if not self._take("("):
            if self._next.text == "[":
                raise self._unexpected("no list but to the right of 'in'")
            raise self._unexpected("a name, number, word in quotes, '!' or '('")
        node = self._expression()
        last = self._need(")", "')' or an operator")
        if self._next.text == ".":
            raise self._unexpected("an operator; only names have parts")
        return replace(node, first=first, last=last)

    def _call(self, token: Token, at: int) -> Node:
        name, _, function = token.text.rpartition(".")
        if function not in FUNCTIONS or not name:
            meant = nearest_function(function, FUNCTIONS)
            expected = "no call but of startsWith, endsWith or contains, as in name.contains('x')"
            found = f"a call of '{token.text}'"
            raise NotTheGrammar(Fault(token.start, token.end, found, expected, meant))
        self._need("(", "'('")
        argument = self._primary()
        last = self._need(")", "')'")
        return Call(at, last, function, Named(at, at, name, at), argument)

    # --- tokens ---------------------------------------------------------------------------------

    @property
    def _next(self) -> Token:
        return self._tokens[self._at]

    def _take(self, sign: str) -> bool:
        if self._next.kind == "sign" and self._next.text == sign:
            self._at += 1
            return True
        return False

    def _need(self, sign: str, expected: str) -> int:
        if not self._take(sign):
            raise self._unexpected(expected)
        return self._at - 1

    def _deeper(self) -> None:
        self._depth += 1
        if self._depth > DEEPEST:
            raise self._unexpected(f"at most {DEEPEST} levels of brackets and choices")

    def _unexpected(self, expected: str) -> NotTheGrammar:
        token = self._next
        found = "the end" if token.kind == "end" else f"'{token.text}'"
        meant = meant_sign(token) if token.kind == "name" else None
        return NotTheGrammar(Fault(token.start, token.end, found, expected, meant))
