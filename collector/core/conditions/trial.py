"""Trial of a condition: can it ever be true, and can it ever be false?

Every comparison of one fact with constants changes its mind at known figures; so trying those, what
lies between them and what lies beyond covers every case. A comparison of several facts, or of what
is reckoned from them, may say anything. So what is said here of a condition is sure, but for
figures that a plant cannot have (less than nothing, say); where there are too many cases to try
them all, parts are tried instead.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

from collector.core.conditions.compiling import Compiled
from collector.core.conditions.contract import Condition, Facts, FactValue, Held, Vocabulary
from collector.core.conditions.logic import (
    Fact,
    Group,
    Leaf,
    Opposite,
    Points,
    Same,
    Selected,
    Term,
)

MOST_TRIALS = 2_000
NEVER, ALWAYS = "can never be true", "is always true"


@dataclass(frozen=True, slots=True)
class Free:
    """Stands for a comparison that may say anything: an invented fact."""

    name: str
    keeps: bool = False

    def truth(self, facts: Facts, held: Held) -> bool | None:
        return facts.value_of(self.name) is True


class Case(dict[str, FactValue]):
    """Facts of one trial."""

    def value_of(self, fact: str) -> FactValue | None:
        """Value of a fact."""
        return self.get(fact)


def question(condition: Condition, vocabulary: Vocabulary) -> str | None:
    """What is odd about a condition: that it can never be true, or always is; None if neither.

    Args:
        condition: as ``compile_condition`` made it; of any other nothing is known.
        vocabulary: it was checked with.
    """
    if not isinstance(condition, Compiled):
        return None
    words = {name.fact: name.words for name in vocabulary.values() if name.type == "word"}
    trial = _Trial(words)
    term = trial.freed(condition.term)
    if not trial.may_be(term, True):
        return NEVER
    if not trial.may_be(term, False):
        return ALWAYS
    return None


class _Trial:
    """Tries one condition.

    Args:
        words: that facts may be, by full name.
    """

    def __init__(self, words: dict[str, tuple[str, ...]]) -> None:
        self._words = words
        self._left = MOST_TRIALS
        self._free = 0

    def freed(self, term: Term) -> Term:
        """The same with comparisons that may say anything in place of those nobody can tell."""
        match term:
            case Leaf() if term.readings and term.points is None:
                self._free += 1
                return Free(f"comparison {self._free}")
            case Opposite():
                return Opposite(self.freed(term.of))
            case Group():
                parts = tuple(self.freed(part) for part in term.parts)
                return Group(parts, term.any_of, term.keeps)
            case Same():
                return Same(self.freed(term.left), self.freed(term.right), term.differ)
            case Selected():
                parts = (term.condition, term.then, term.otherwise)
                return Selected(*(self.freed(part) for part in parts))
        return term

    def may_be(self, term: Term, wanted: bool) -> bool:
        """Whether a term can come out as wanted; True where that would take too long to say."""
        values = self._values(term)
        cases = math.prod(len(each) for each in values.values())
        if cases <= self._left:
            return self._tried(term, values, wanted)
        match term:
            case Opposite():
                return self.may_be(term.of, not wanted)
            case Group() if term.any_of is wanted:
                return any(self.may_be(part, wanted) for part in term.parts)
            case Group():
                # Each part has to come out so, and those with a fact in common together.
                alone = all(self.may_be(part, wanted) for part in term.parts)
                pairs = itertools.combinations(term.parts, 2)
                return alone and all(
                    self.may_be(Group(pair, term.any_of, term.keeps), wanted)
                    for pair in pairs
                    if self._values(pair[0]).keys() & self._values(pair[1]).keys()
                    and len(term.parts) > 2
                )
        return True

    def _tried(self, term: Term, values: dict[str, list[FactValue]], wanted: bool) -> bool:
        unknown = False
        for combination in itertools.product(*values.values()):
            self._left -= 1
            said = term.truth(Case(zip(values, combination, strict=True)), {})
            unknown |= said is None
            if said is wanted:
                return True
        # What has no result (a division by nought) is neither; nothing is sure of it.
        return unknown

    def _values(self, term: Term) -> dict[str, list[FactValue]]:
        """What each fact of a term is tried with."""
        figures: dict[str, set[float]] = {}
        values: dict[str, list[FactValue]] = {}
        for part in _parts(term):
            if isinstance(part, Fact | Free):
                values[part.fact if isinstance(part, Fact) else part.name] = [False, True]
            elif isinstance(part, Leaf) and part.points is not None:
                self._add(part.points, figures, values)
        return values | {fact: list(_between(sorted(some))) for fact, some in figures.items()}

    def _add(
        self, points: Points, figures: dict[str, set[float]], values: dict[str, list[FactValue]]
    ) -> None:
        for value in points.values:
            if isinstance(value, str):
                tried = values.setdefault(points.fact, [*self._words.get(points.fact, ())])
                if value not in tried:
                    tried.append(value)
            else:
                inside = value if points.unit is None else points.unit.to_si(value)
                figures.setdefault(points.fact, set()).add(inside)


def _parts(term: Term) -> Iterator[Term]:
    match term:
        case Opposite():
            yield from _parts(term.of)
        case Group():
            for part in term.parts:
                yield from _parts(part)
        case Same():
            yield from itertools.chain(_parts(term.left), _parts(term.right))
        case Selected():
            for part in (term.condition, term.then, term.otherwise):
                yield from _parts(part)
        case _:
            yield term


def _between(figures: list[float]) -> Iterator[FactValue]:
    """Figures, what is below, between and above them."""
    yield figures[0] - abs(figures[0]) - 1.0
    for each, following in itertools.pairwise(figures):
        yield each
        yield (each + following) / 2
    yield figures[-1]
    yield figures[-1] + abs(figures[-1]) + 1.0
