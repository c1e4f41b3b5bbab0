"""Three truths, units, and what has no result."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.conditions.compiling import compile_condition
from tests.unit.core.conditions.names_for_tests import LIMITS, NAMES, Known, asked

T, F, U = True, False, None
SHOWN: dict[bool | None, str] = {
    True: "this.high",
    False: "mains.mains_present",
    None: "this.level > 1",
}
KNOWN = {"works__collection_high": True, "mains__mains_present": False}

# Kleene, Introduction to Metamathematics (1952), section 64: the strong tables; from memory.
AND = [
    (T, T, T), (T, F, F), (T, U, U), (F, T, F), (F, F, F), (F, U, F), (U, T, U), (U, F, F),
    (U, U, U),
]  # fmt: skip
OR = [
    (T, T, T), (T, F, T), (T, U, T), (F, T, T), (F, F, F), (F, U, U), (U, T, T), (U, F, U),
    (U, U, U),
]  # fmt: skip


@pytest.mark.parametrize(("left", "right", "expected"), AND)
def test_and_has_kleenes_table(
    left: bool | None, right: bool | None, expected: bool | None
) -> None:
    """Unknown and false is false; unknown and anything else is unknown."""
    assert asked(f"{SHOWN[left]} && {SHOWN[right]}", **KNOWN) is expected


@pytest.mark.parametrize(("left", "right", "expected"), OR)
def test_or_has_kleenes_table(left: bool | None, right: bool | None, expected: bool | None) -> None:
    """Unknown or true is true; unknown or anything else is unknown."""
    assert asked(f"{SHOWN[left]} || {SHOWN[right]}", **KNOWN) is expected


@pytest.mark.parametrize(("of", "expected"), [(T, F), (F, T), (U, U)])
def test_not_has_kleenes_table(of: bool | None, expected: bool | None) -> None:
    """The opposite of unknown is unknown."""
    assert asked(f"!({SHOWN[of]})", **KNOWN) is expected


@pytest.mark.parametrize("left", [T, F, U])
@pytest.mark.parametrize("right", [T, F, U])
def test_sameness_of_the_unknown_is_unknown(left: bool | None, right: bool | None) -> None:
    """Both sides have to be known."""
    expected = None if left is None or right is None else left is right
    opposite = None if expected is None else not expected
    assert asked(f"({SHOWN[left]}) == ({SHOWN[right]})", **KNOWN) is expected
    assert asked(f"({SHOWN[left]}) != ({SHOWN[right]})", **KNOWN) is opposite


def test_an_unknown_choice_is_known_where_both_ways_agree() -> None:
    """Otherwise it is unknown; a known choice asks only its own way."""
    assert asked("this.level > 1 ? this.high : true", **KNOWN) is True
    assert asked("this.level > 1 ? this.high : false", **KNOWN) is None
    assert asked("this.high ? true : this.level > 1", **KNOWN) is True
    assert asked("this.high ? this.level > 1 : true", **KNOWN) is None


FACTS: dict[str, st.SearchStrategy[bool | float | str]] = {
    "works.collection_high": st.booleans(),
    "mains.mains_present": st.booleans(),
    "collection.level": st.sampled_from([0.0, 1.5, 2.5]),
    "collection_pump_1.state": st.sampled_from(["running", "stopped"]),
}
TERMS = st.sampled_from(
    ["this.high", "mains.mains_present", "this.level > 1", "this.state == 'running'"]
)
CONDITIONS = st.recursive(
    TERMS,
    lambda inner: (
        st.tuples(inner, st.sampled_from(["&&", "||", "=="]), inner).map(
            lambda parts: f"({parts[0]}) {parts[1]} ({parts[2]})"
        )
        | inner.map(lambda text: f"!({text})")
        | st.tuples(inner, inner, inner).map(lambda p: f"({p[0]}) ? ({p[1]}) : ({p[2]})")
    ),
    max_leaves=6,
)


@settings(max_examples=400, deadline=None)
@given(CONDITIONS, st.fixed_dictionaries(FACTS), st.sets(st.sampled_from(sorted(FACTS))))
def test_what_is_said_without_a_fact_is_not_taken_back_with_it(
    text: str, facts: dict[str, bool | float | str], unknown: set[str]
) -> None:
    """Kleene's logic is regular: to know more never turns true into false."""
    condition = compile_condition(text, NAMES, LIMITS)
    less = Known({name: value for name, value in facts.items() if name not in unknown})
    said, in_full = condition.holds(less, {}), condition.holds(Known(facts), {})
    assert in_full is not None
    assert said in (None, in_full)


@pytest.mark.parametrize(
    "text",
    [
        "collection.level / (collection.level - collection.level) > 1",
        "collection.level / (collection.level - collection.level) < 1",
        "collection.level / (collection.level - collection.level) == 1",
        "collection.level / (collection.level - collection.level) != 1",
        "1 / (pump.starts - pump.starts) >= 0",
        "pump.starts / (1 / (pump.starts - pump.starts)) < 5",
        "pump.starts * 1e308 * 1e308 > 5",
        "pump.starts * 1e308 * 1e308 - pump.starts * 1e308 * 1e308 != 5",
        "1 / (pump.starts * 1e308 * 1e308) < 5",
        "pump.starts / (pump.starts - pump.starts) in [1, 2]",
    ],
)
def test_what_has_no_finite_result_is_unknown(text: str) -> None:
    """Neither true nor false, whatever it is compared with, and never an exception."""
    assert asked(text, collection__level=1.5, pump__starts=3.0) is None
    assert asked(f"{text} || true", collection__level=1.5, pump__starts=3.0) is True


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, "1.5", True])
def test_a_value_that_is_no_figure_is_unknown(value: float | str | bool) -> None:
    """So is a figure in place of a word, or of yes or no."""
    assert asked("this.level > 1", collection__level=value) is None
    assert asked("this.level == 1 || this.level != 1", collection__level=value) is None


def test_a_value_of_the_wrong_type_is_unknown() -> None:
    """Nothing is made of it."""
    assert asked("this.state == 'running'", collection_pump_1__state=1.0) is None
    assert asked("this.high", works__collection_high=1.0) is None


@pytest.mark.parametrize(
    ("text", "facts", "expected"),
    [
        # 1 h is 60 min is 3600 s (SI Brochure, table 8).
        ("pump.run_hours > 2", {"pump__run_hours": 7201.0}, True),
        ("pump.run_hours > 2", {"pump__run_hours": 7199.0}, False),
        ("collection.time_to_overflow < reserve", {"collection__time_to_overflow": 1799.0}, True),
        ("collection.time_to_overflow < reserve", {"collection__time_to_overflow": 1801.0}, False),
        ("collection.time_to_overflow > shift", {"collection__time_to_overflow": 28801.0}, True),
        ("collection.time_to_overflow > shift", {"collection__time_to_overflow": 28799.0}, False),
        # 180 cm is 1.8 m.
        ("this.level >= top", {"collection__level": 1.8}, True),
        ("this.level >= top", {"collection__level": 1.79}, False),
        # 50 % is a half; a share times a flow is a flow.
        ("tank.fill < half", {"tank__fill": 0.49}, True),
        ("tank.fill < 50", {"tank__fill": 0.51}, False),
        ("tank.fill == 7", {"tank__fill": 0.07}, True),
        ("tank.fill <= 7", {"tank__fill": 0.07}, True),
        ("collection.inflow * half > 5", {"collection__inflow": 10.1 / 3600}, True),
        ("collection.inflow * half > 5", {"collection__inflow": 9.9 / 3600}, False),
        ("collection.inflow * tank.fill > 5",
         {"collection__inflow": 10.0 / 3600, "tank__fill": 0.6}, True),
        # Two figures of one kind meet in the unit of the first.
        ("collection.time_to_overflow > pump.run_hours",
         {"collection__time_to_overflow": 3601.0, "pump__run_hours": 3600.0}, True),
        ("collection.time_to_overflow + pump.run_hours > shift",
         {"collection__time_to_overflow": 14400.0, "pump__run_hours": 14401.0}, True),
        ("collection.time_to_overflow / pump.run_hours < 2",
         {"collection__time_to_overflow": 7199.0, "pump__run_hours": 3600.0}, True),
        # 0 °C is 273.15 K; 10 °C is warm; a difference of 5 °C is one of 5 K.
        ("air.temperature > 4", {"air__temperature": 277.16}, True),
        ("air.temperature > 4", {"air__temperature": 277.14}, False),
        ("air.temperature < warm", {"air__temperature": 283.1}, True),
        ("air.temperature - water.temperature > 5",
         {"air__temperature": 290.0, "water__temperature": 284.9}, True),
        ("air.temperature - water.temperature > 5",
         {"air__temperature": 290.0, "water__temperature": 285.1}, False),
        ("air.temperature > water.temperature + 5",
         {"air__temperature": 290.0, "water__temperature": 284.9}, True),
    ],
)  # fmt: skip
def test_figures_are_seen_in_their_units(
    text: str, facts: dict[str, float], expected: bool
) -> None:
    """Facts are kept in SI, compared in the unit of their name, limits converted to it."""
    assert asked(text, **facts) is expected


def test_words_are_compared_and_looked_into() -> None:
    """As CEL does: whole, and by beginning, end and content."""
    facts = {"collection_pump_1__state": "running", "note__text": "running dry"}
    assert asked("this.state == 'running'", **facts) is True
    assert asked("this.state in ['stopped', 'running']", **facts) is True
    assert asked("note.text.startsWith(this.state)", **facts) is True
    assert asked("note.text.endsWith('wet') || note.text.contains('ng d')", **facts) is True
    assert asked("note.text != this.state", **facts) is True


def test_it_says_which_facts_it_depends_on() -> None:
    """Each once, by full name, in the order of the text."""
    text = "this.level > 1 && collection.level < 2 && !this.high"
    condition = compile_condition(text, NAMES, LIMITS)
    assert condition.facts == ("collection.level", "works.collection_high")
    assert condition.text == text
