"""Makes of the text of a condition what can be asked, or says all that is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from collector.core.conditions.checking import Checker
from collector.core.conditions.contract import (
    BadCondition,
    Facts,
    Fault,
    Held,
    Limit,
    Vocabulary,
)
from collector.core.conditions.grammar import NotTheGrammar, Parser
from collector.core.conditions.leaves import NotCompiled, program_of
from collector.core.conditions.lexis import Token, tokens_of
from collector.core.conditions.logic import Term
from collector.core.conditions.source import MOST_FAULTS, sourced
from collector.core.conditions.wording import explained


@dataclass(frozen=True, slots=True)
class Compiled:
    """A checked condition; see ``contract.Condition``."""

    text: str
    facts: tuple[str, ...]
    term: Term

    def holds(self, facts: Facts, held: Held) -> bool | None:
        """Whether it is so; None where that is not known."""
        return self.term.truth(facts, held)

    def explain(self) -> str:
        """The same in plain words, without a full stop."""
        return explained(self.term)


def compile_condition(text: str, vocabulary: Vocabulary, limits: Mapping[str, Limit]) -> Compiled:
    """Check a condition and make it ready to be asked.

    Args:
        text: CEL, as written.
        vocabulary: every name it may use; where two names stand for one fact, they are one.
        limits: figures that the rule names.

    Raises:
        BadCondition: it cannot be used; with all that is wrong, in the order of the text.
    """
    tokens, faults = _split(tokens_of(text))
    if faults:
        raise BadCondition(faults[:MOST_FAULTS])
    try:
        tree = Parser(tokens).whole()
    except NotTheGrammar as error:
        raise BadCondition([error.fault]) from None
    source, unknown = sourced(text, tokens, vocabulary, limits)
    checker = Checker(source)
    checker.faults += unknown
    term = checker.term(tree)
    if term is None or checker.faults:
        faults = sorted(checker.faults, key=lambda fault: (fault.start, fault.end))
        raise BadCondition(list(dict.fromkeys(faults))[:MOST_FAULTS])
    try:
        # What is read here is CEL; the library has the last word on it.
        program_of(text, Fault(0, len(text), "a condition that is not CEL", "a plainer one"))
    except NotCompiled as error:
        raise BadCondition([error.fault]) from error
    facts = dict.fromkeys(name.fact for _, name in source.names_in(tree))
    return Compiled(text, tuple(facts), term)


def _split(found: list[Token] | list[Fault]) -> tuple[list[Token], list[Fault]]:
    tokens = [each for each in found if isinstance(each, Token)]
    return tokens, [each for each in found if isinstance(each, Fault)]
