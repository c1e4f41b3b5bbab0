"""A comparison with a limit that has a deadband ceases only when the figure has come back by it.

Source: ANSI/ISA-18.2-2016, clause 3 (deadband: change in signal from the alarm setpoint necessary
for the alarm to clear).
"""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.conditions.compiling import compile_condition
from collector.core.conditions.contract import Held
from tests.unit.core.conditions.names_for_tests import LIMITS, NAMES, Known, asked

ABOVE = [1.75, 1.79, 1.81, 1.75, 1.61, 1.59, 1.75, 1.81]
SAID_ABOVE = [False, False, True, True, True, False, False, True]
BELOW_MIN = [31.0, 29.0, 31.0, 34.9, 35.1, 31.0, 29.9]
SAID_BELOW = [False, True, True, True, False, False, True]


@pytest.mark.parametrize(
    "text", ["this.level > top", "this.level >= top", "top < this.level", "(top) <= this.level"]
)
def test_above_a_limit(text: str) -> None:
    """Over 180 cm it holds, and until the level is 20 cm below that."""
    held: Held = {}
    said = [asked(text, held, collection__level=level) for level in ABOVE]
    assert said == SAID_ABOVE


@pytest.mark.parametrize(
    "text", ["collection.time_to_overflow < reserve", "reserve >= collection.time_to_overflow"]
)
def test_below_a_limit(text: str) -> None:
    """Under 30 min it holds, and until there are 5 min more than that."""
    held: Held = {}
    said = [asked(text, held, collection__time_to_overflow=60 * each) for each in BELOW_MIN]
    assert said == SAID_BELOW


def test_the_deadband_is_a_difference() -> None:
    """2 K are 2 °C wide, wherever the zeros of the two are."""
    held: Held = {}
    degrees = [9.0, 11.0, 8.5, 7.9, 9.0]
    said = [asked("air.temperature > warm", held, air__temperature=273.15 + d) for d in degrees]
    assert said == [False, True, True, False, False]


def test_the_unknown_leaves_it_as_it_was() -> None:
    """After a gap it goes on with what it said before."""
    held: Held = {}
    assert asked("this.level > top", held, collection__level=1.9) is True
    before = dict(held)
    assert asked("this.level > top", held) is None
    assert held == before
    assert asked("this.level > top", held, collection__level=1.7) is True


def test_it_is_watched_even_while_something_else_decides() -> None:
    """It has gone over the limit, whether or not anybody asked."""
    held: Held = {}
    text = "this.high && this.level > top"
    assert asked(text, held, works__collection_high=False, collection__level=1.9) is False
    assert asked(text, held, works__collection_high=True, collection__level=1.7) is True
    text = "this.high ? this.level > top : false"
    held = {}
    assert asked(text, held, works__collection_high=False, collection__level=1.9) is False
    assert asked(text, held, works__collection_high=True, collection__level=1.7) is True


def test_each_comparison_holds_by_itself() -> None:
    """Two with the same limit do not share what they said; what is kept outlives JSON."""
    held: Held = {}
    text = "this.level > top || collection.level * 2 > top"
    asked(text, held, collection__level=1.0)
    assert sorted(held.values()) == [False, True]
    kept: Held = json.loads(json.dumps(held))
    # 0.85 m twice is 1.7 m: within the deadband of the second alone.
    assert asked(text, kept, collection__level=0.85) is True
    assert asked(text, {}, collection__level=0.85) is False


@settings(max_examples=300, deadline=None)
@given(st.lists(st.integers(0, 40).map(lambda count: count / 10), max_size=30))
def test_it_follows_a_two_point_switch(levels: list[float]) -> None:
    """Reference: on above 1.8, off at or below 1.6, else as before."""
    condition = compile_condition("this.level > top", NAMES, LIMITS)
    held: Held = {}
    on = False
    for level in levels:
        on = level > 1.8 or (on and level > 1.6)
        assert condition.holds(Known({"collection.level": level}), held) is on
