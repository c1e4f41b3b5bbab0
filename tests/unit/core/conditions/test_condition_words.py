"""A condition in plain words, and what is odd about it."""

from __future__ import annotations

import pytest

from collector.core.conditions.compiling import compile_condition
from collector.core.conditions.trial import ALWAYS, NEVER, question
from tests.unit.core.conditions.names_for_tests import LIMITS, NAMES

SAID = [
    (
        "collection.time_to_overflow < reserve && !mains.mains_present",
        (
            "time to overflow of collection is below 30 min (reserve, deadband 5 min), and not "
            "mains present of mains"
        ),
    ),
    (
        "this.high || this.level >= 2.5",
        "collection high of works, or level of collection is at least 2.5 m",
    ),
    (
        "shift > collection.time_to_overflow",
        "time to overflow of collection is below 8 h (shift)",
    ),
    (
        "this.state == 'running' && (this.high || mains.mains_present)",
        (
            "state of collection pump 1 is 'running', and (collection high of works, or mains "
            "present of mains)"
        ),
    ),
    (
        "collection.inflow * 2 > 3 + collection.inflow",
        "inflow of collection × 2 is above 3 m³/h + inflow of collection",
    ),
    ("tank.fill != 50", "fill of tank is not 50 %"),
    (
        "air.temperature - water.temperature > 5",
        "temperature of air - temperature of water is above 5 K",
    ),
    (
        "this.state in ['running', 'stopped']",
        "state of collection pump 1 is one of 'running', 'stopped'",
    ),
    ("note.text.contains('dry')", "text of note contains 'dry'"),
    (
        "this.high ? this.level > 1 : pump.starts > 4",
        (
            "if collection high of works: level of collection is above 1 m; otherwise: starts "
            "of pump is above 4"
        ),
    ),
    (
        "this.high == (this.level > 1)",
        "collection high of works if and only if level of collection is above 1 m",
    ),
    ("!(this.high && true)", "not (collection high of works, and always)"),
    ("(collection.level - 1) / 2 > -0.5", "(level of collection - 1 m) ÷ 2 is above -0.5 m"),
]


@pytest.mark.parametrize(("text", "words"), SAID)
def test_it_is_told_in_plain_words(text: str, words: str) -> None:
    """Readable names, units, limits with their names and figures."""
    assert compile_condition(text, NAMES, LIMITS).explain() == words


MANY = (
    "this.high && pump.starts > 1 && pump.run_hours > 1 && tank.fill > 1 && collection.inflow > 1"
    " && air.temperature > 1 && collection.time_to_overflow > 1 && water.temperature > 1"
)
ODD = [
    ("false", NEVER),
    ("1 > 2", NEVER),
    ("this.high && !this.high", NEVER),
    ("this.level > 3 && this.level < 2", NEVER),
    ("this.level > 3 && collection.level <= 3", NEVER),
    ("this.state == 'running' && this.state == 'stopped'", NEVER),
    ("this.state.startsWith('x')", NEVER),
    ("note.text == 'a' && note.text == 'b'", NEVER),
    ("collection.time_to_overflow < reserve && collection.time_to_overflow > 31", NEVER),
    ("true", ALWAYS),
    ("this.high || !this.high", ALWAYS),
    ("this.level < 3 || this.level > 2", ALWAYS),
    ("this.state in ['running', 'stopped']", ALWAYS),
    ("this.high == this.high", ALWAYS),
    # With this many facts only parts can be tried.
    (f"{MANY} && this.level > 3 && this.level < 2", NEVER),
    (f"!({MANY} && this.level > 3 && this.level < 2)", ALWAYS),
]
SOUND = [
    "this.high",
    "this.level > 2 && this.level < 2.001",
    "this.level * 2 > 5 && this.level < 2.6",
    "this.level == 2.5",
    "tank.fill == 7",
    "tank.fill in [3, 7]",
    "pump.run_hours > collection.time_to_overflow",
    "note.text == 'a' || note.text == 'b'",
    "note.text.contains('a') && note.text.contains('b')",
    "this.level > top",
    "this.level / (this.level - 1) > 2",
    f"{MANY} && this.level > 3 && this.level < 4",
]


@pytest.mark.parametrize(("text", "expected"), ODD)
def test_what_is_never_or_always_so_is_questioned(text: str, expected: str) -> None:
    """Whatever the facts are."""
    assert question(compile_condition(text, NAMES, LIMITS), NAMES) == expected


@pytest.mark.parametrize("text", SOUND)
def test_what_may_be_so_or_not_is_not_questioned(text: str) -> None:
    """However narrow it is, and however many facts it has."""
    assert question(compile_condition(text, NAMES, LIMITS), NAMES) is None
