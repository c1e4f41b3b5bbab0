"""A condition that has been read, with what each of its names stands for."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from collector.core.conditions.contract import Fault, Limit, Name, Vocabulary
from collector.core.conditions.lexis import Token
from collector.core.conditions.measures import Units
from collector.core.conditions.tree import Node
from collector.plant.findings import nearest_name

MOST_FAULTS = 20
MOST_GUESSES = 5
LONGEST_SHOWN = 60


@dataclass(slots=True)
class Source:
    """A condition, its tokens and names.

    Args:
        text: as written.
        tokens: of the text.
        names: what tokens stand for; those that stand for nothing are left out.
        units: in which figures are read.
    """

    text: str
    tokens: list[Token]
    names: dict[int, Name | Limit]
    units: Units = field(default_factory=Units)

    def part(self, node: Node) -> str:
        """A part of the text as written, cut where it is long."""
        start, end = self.offsets(node)
        written = " ".join(self.text[start:end].split())
        return written if len(written) <= LONGEST_SHOWN else f"{written[:LONGEST_SHOWN]}..."

    def offsets(self, node: Node) -> tuple[int, int]:
        """Where a part begins and ends."""
        start, end = self.tokens[node.first].start, self.tokens[node.last].end
        if node.first == node.last and self.tokens[node.first].kind == "name":
            end = start + len(written_name(self.tokens, node.first))
        return start, end

    def fault(self, node: Node, found: str, expected: str, nearest: str | None = None) -> Fault:
        """A fault of a part."""
        start, end = self.offsets(node)
        return Fault(start, end, found, expected, nearest)

    def names_in(self, node: Node) -> Iterator[tuple[int, Name]]:
        """Names of facts in a part, with their tokens."""
        for at in range(node.first, node.last + 1):
            name = self.names.get(at)
            if isinstance(name, Name):
                yield at, name


def written_name(tokens: list[Token], at: int) -> str:
    """The name at a token, without a function that is called on it."""
    text = tokens[at].text
    return text.rpartition(".")[0] if tokens[at + 1].text == "(" else text


def sourced(
    text: str, tokens: list[Token], vocabulary: Vocabulary, limits: Mapping[str, Limit]
) -> tuple[Source, list[Fault]]:
    """Look up every name of a condition.

    Args:
        text: as written.
        tokens: of it.
        vocabulary, limits: what may be named.

    Returns:
        the condition, and a fault for each name that there is not.
    """
    names: dict[int, Name | Limit] = {}
    faults: list[Fault] = []
    for at, token in enumerate(tokens):
        if token.kind != "name" or token.text in ("true", "false"):
            continue
        written = written_name(tokens, at)
        known = limits.get(written) or vocabulary.get(written)
        if known is None:
            guess = len(faults) < MOST_GUESSES
            nearest = _nearest(written, vocabulary, limits) if guess else None
            expected = "a name of the plant, or a limit of the rule"
            end = token.start + len(written)
            faults.append(Fault(token.start, end, f"'{written}'", expected, nearest))
        elif isinstance(known, Limit) and not (
            math.isfinite(known.value) and 0 <= known.deadband < math.inf
        ):
            found = f"limit '{written}' of {known.value:g}, deadband {known.deadband:g}"
            faults.append(Fault(token.start, token.end, found, "finite figures, no less than 0"))
        else:
            names[at] = known
    return Source(text, tokens, names), faults


def _nearest(written: str, vocabulary: Vocabulary, limits: Mapping[str, Limit]) -> str | None:
    """The closest valid name, sooner of the same owner than of another."""
    owner, dot, _ = written.partition(".")
    own = [name for name in vocabulary if dot and name.startswith(f"{owner}.")]
    return nearest_name(written, own) or nearest_name(written, [*limits, *vocabulary])
