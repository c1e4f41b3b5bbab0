"""Conditions are a subset of CEL: what they accept and say is what the CEL library does.

Source: Common Expression Language, language definition; the reference is the library
common-expression-language, which is asked with the whole text.
"""

from __future__ import annotations

import cel
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.conditions.compiling import compile_condition
from collector.core.conditions.contract import BadCondition, FactValue, Limit, Name
from collector.core.conditions.grammar import NotTheGrammar, Parser
from collector.core.conditions.lexis import Token, tokens_of
from collector.units import UNITS
from tests.unit.core.conditions.names_for_tests import LIMITS, NAMES, Known, faults_of

PLAIN = UNITS["1"]
OWN: dict[str, Name] = {
    **{f"n.{name}": Name(f"n.{name}", "number", PLAIN) for name in ("a", "b")},
    **{f"y.{name}": Name(f"y.{name}", "yes or no") for name in ("a", "b")},
    **{f"w.{name}": Name(f"w.{name}", "word") for name in ("a", "b")},
}
OWN_LIMITS = {"few": Limit(1.5, PLAIN), "many": Limit(-4.0, PLAIN)}
QUARTERS = st.integers(-40, 40).map(lambda count: count / 4)
WORDS = st.sampled_from(["", "run", "running", "stopped", "ping"])


def bracketed(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return inner | inner.map(lambda text: f"({text})")


DOUBLES = QUARTERS.map(abs).map(repr)
FIGURES = st.sampled_from(["n.a", "n.b", "few", "many"]) | DOUBLES
UNARY = bracketed(FIGURES) | FIGURES.map(lambda text: f"- {text}")
PRODUCTS = st.tuples(UNARY, st.sampled_from([" * ", "*"]), UNARY).map("".join) | st.tuples(
    UNARY, st.sampled_from(["/ 0.25", " / (n.a * n.a + 1.0)"])
).map("".join)
TERMS = UNARY | PRODUCTS
SUMS = st.tuples(TERMS, st.sampled_from(["+", " - ", "-"]), TERMS).map("".join)
NUMBERS = TERMS | SUMS | SUMS.map(lambda text: f"2.5 * ({text})")
# A whole number meets a double where they are compared, as CEL has it, but not in arithmetic.
COMPARED = NUMBERS | st.integers(0, 20).map(str)
TEXTS = st.sampled_from(["w.a", "w.b"]) | WORDS.map(repr) | WORDS.map(lambda word: f'"{word}"')
EQUAL = st.sampled_from(["==", " != "])
LEAVES = (
    st.tuples(COMPARED, EQUAL | st.sampled_from(["<", " <= ", ">", " >= "]), COMPARED).map("".join)
    | st.tuples(TEXTS, EQUAL, TEXTS).map("".join)
    | st.tuples(NUMBERS, st.lists(DOUBLES | st.just("few") | st.just("-3"), min_size=1)).map(
        lambda parts: f"{parts[0]} in [{', '.join(parts[1])}]"
    )
    | st.tuples(TEXTS, st.lists(WORDS.map(repr), min_size=1)).map(
        lambda parts: f"{parts[0]} in [{','.join(parts[1])}]"
    )
    | st.tuples(
        st.sampled_from(["w.a", "w.b"]),
        st.sampled_from(["startsWith", "endsWith", "contains"]),
        TEXTS,
    ).map(lambda parts: f"{parts[0]}.{parts[1]}({parts[2]})")
    | st.sampled_from(["y.a", "y.b", "true", "false", "!y.a", "!!y.b"])
)


def _larger(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    inside = inner.map(lambda text: f"({text})")
    return (
        st.lists(inside | LEAVES, min_size=2, max_size=3).map(" && ".join)
        | st.lists(inside | LEAVES, min_size=2, max_size=3).map("||".join)
        | st.tuples(inner, inner).map(" && ".join)
        | st.tuples(inner, inner).map(" || ".join)
        | inside.map(lambda text: f"!{text}")
        | st.tuples(inside, EQUAL, inside).map("".join)
        | st.tuples(inside, inside, inner).map(lambda p: f"{p[0]} ? {p[1]} : {p[2]}")
    )


CONDITIONS = st.recursive(LEAVES, _larger, max_leaves=8).filter(lambda text: len(text) <= 1000)
FACTS = st.fixed_dictionaries(
    {
        **{f"n.{name}": QUARTERS for name in ("a", "b")},
        **{f"y.{name}": st.booleans() for name in ("a", "b")},
        **{f"w.{name}": WORDS for name in ("a", "b")},
    }
)


@settings(max_examples=600, deadline=None)
@given(CONDITIONS, FACTS)
def test_with_all_facts_known_it_says_what_the_library_says(
    text: str, facts: dict[str, FactValue]
) -> None:
    """The library is given the text as written, facts as maps and limits as variables."""
    whole: dict[str, object] = {name: limit.value for name, limit in OWN_LIMITS.items()}
    for owner in ("n", "y", "w"):
        whole[owner] = {name: facts[f"{owner}.{name}"] for name in ("a", "b")}
    expected = cel.compile(text).execute(whole)
    condition = compile_condition(text, OWN, OWN_LIMITS)
    assert condition.holds(Known(facts), {}) is expected
    assert condition.explain()


SIGNS = st.sampled_from(
    [
        *"()[]{}<>!?:.,+-*/%='\"\\ &|\t\n",
        *("&&", "||", "==", "!=", "<=", ">=", " in ", "true", "false", "null", "r", "has", "all"),
        *("this.high", "this.level", "half", ".contains", ".startsWith(", "x", "_y1", "//", "é"),
        *("'a'", "1", "2.5", ".5", "1e3", "0x1", "7u", "9999999999999999999"),
    ]
)


@settings(max_examples=1500, deadline=None)
@given(st.lists(SIGNS, min_size=1, max_size=12).map("".join))
def test_what_is_read_is_cel(text: str) -> None:
    """Whatever the parser accepts, before names and types are looked at, the library compiles."""
    tokens = [token for token in tokens_of(text) if isinstance(token, Token)]
    if not tokens:
        return
    try:
        Parser(tokens).whole()
    except NotTheGrammar:
        return
    cel.compile(text)


@settings(max_examples=1500, deadline=None)
@given(st.text(max_size=60) | st.lists(SIGNS, max_size=40).map("".join))
def test_any_text_is_a_condition_or_has_faults(text: str) -> None:
    """No text gives anything but a condition or faults, each inside the text."""
    for fault in faults_of(text):
        assert 0 <= fault.start <= fault.end <= len(text)
        assert fault.found
        assert fault.expected


WRONG_HERE_BUT_CEL = [
    "true // a comment",
    "1 + 1 == 2 == true",
    "[1] == [1]",
    "size('a') == 1",
    "r'a' == 'a'",
    "0x10 == 16",
    "'\\n' == 'a'",
    "[1].exists(x, x == 1)",
    "{'a': 1}.a == 1",
    "5 % 2 == 1",
    "12u == 12u",
    "7 / 2 == 3",
    "null == null",
    "'a' + 'b' == 'ab'",
    "'a' < 'b'",
    "false < true",
]


@pytest.mark.parametrize("text", WRONG_HERE_BUT_CEL)
def test_the_rest_of_cel_is_refused(text: str) -> None:
    """What could grow, or mean something else to a person than to CEL, is left out."""
    cel.compile(text)
    with pytest.raises(BadCondition):
        compile_condition(text, NAMES, LIMITS)


def test_whole_numbers_are_doubles_beside_figures() -> None:
    """CEL has no product of a double and a whole number; here the whole number becomes one."""
    with pytest.raises(TypeError):
        cel.compile("a * 2 > 5").execute({"a": 3.0})
    condition = compile_condition("n.a * 2 > 5", OWN, {})
    assert condition.holds(Known({"n.a": 3.0}), {}) is True
    assert condition.holds(Known({"n.a": 2.5}), {}) is False


@pytest.mark.parametrize(
    "text",
    [
        "(" * 32 + "this.high" + ")" * 32,
        "this.high?true:" * 32 + "true",
        " && ".join(["this.high"] * 32),
        " || ".join(["this.high"] * 32),
        "+".join(["this.level"] * 33) + " > 1",
        f"this.level in [{','.join(['1'] * 64)}]",
        "!" * 32 + "this.high",
        "-" * 32 + "this.level > 1",
    ],
)
def test_what_every_cel_must_take_is_taken(text: str) -> None:
    """32 levels, and 32 repetitions (language definition, "Syntax")."""
    assert compile_condition(text, NAMES, LIMITS).facts


@pytest.mark.parametrize(
    "text",
    [
        "(" * 33 + "this.high" + ")" * 33,
        "(" * 900,
        "!" * 900,
        "-" * 33 + "this.level > 1",
        "this.high?true:" * 33 + "true",
        "+".join(["1"] * 400) + " > 1",
        f"this.level in [{','.join(['1'] * 65)}]",
        "true" + " " * 1000,
        "this.high && " * 100_000,
    ],
)
def test_beyond_the_bounds_it_is_refused(text: str) -> None:
    """Length, depth, figures in a row and lists are bounded."""
    with pytest.raises(BadCondition):
        compile_condition(text, NAMES, LIMITS)
