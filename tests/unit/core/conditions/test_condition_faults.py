"""What is wrong with a condition is said in words, with its place and the nearest valid name."""

from __future__ import annotations

import pytest

from tests.unit.core.conditions.names_for_tests import faults_of

WRONG: list[tuple[str, str, str, str | None]] = [
    # condition; the part meant; part of what is found; nearest
    ("this.levle > 1", "this.levle", "'this.levle'", "this.level"),
    ("this.Level > 1", "this.Level", "'this.Level'", "this.level"),
    ("colection.level > 1", "colection.level", "'colection.level'", "collection.level"),
    ("level > 1", "level", "'level'", "this.level"),
    ("this.level > tpo", "tpo", "'tpo'", "top"),
    ("this.state == 'runing'", "'runing'", "'runing'", "running"),
    ("'Stopped' != this.state", "'Stopped'", "'Stopped'", "stopped"),
    ("this.state in ['running', 'halted']", "'halted'", "'halted'", None),
    ("this.level", "this.level", "which is a number", None),
    ("this.state", "this.state", "which is a word", None),
    ("5", "5", "which is a number", None),
    ("this.level + 1", "this.level + 1", "which is a number", None),
    ("this.high && this.level", "this.level", "which is a number", None),
    ("!this.level", "this.level", "which is a number", None),
    ("this.level ? true : false", "this.level", "which is a number", None),
    ("this.high > 1", "this.high > 1", "yes or no compared with a number", None),
    ("this.level == '1.5'", "this.level == '1.5'", "a number compared with a word", "1.5"),
    ("this.high == 'true'", "this.high == 'true'", "yes or no compared with a word", "true"),
    ("this.high < true", "this.high < true", "'<' between what is yes or no", None),
    ("this.state > 'a'", "this.state > 'a'", "'>' between what is a word", None),
    ("this.high + 1 > 2", "this.high", "which is yes or no", None),
    ("this.state * 2 > 2", "this.state", "which is a word", None),
    ("-this.high > 2", "this.high", "which is yes or no", None),
    ("this.level > pump.run_hours", "this.level > pump.run_hours",
     "length in m beside time in h", None),
    ("this.level > shift", "this.level > shift", "length in m beside time in h", None),
    ("this.level + pump.run_hours > 1", "this.level + pump.run_hours", "length in m beside", None),
    ("this.level * pump.run_hours > 1", "this.level * pump.run_hours", "length in m times", None),
    ("this.level / pump.run_hours > 1", "this.level / pump.run_hours", "divided by time", None),
    ("1 / this.level > 1", "1 / this.level", "a bare number divided by length", None),
    ("collection.time_to_overflow + pump.run_hours > 5", "5", "a bare number beside", None),
    ("air.temperature * 2 > 5", "air.temperature * 2", "a multiple of a temperature", None),
    ("air.temperature + water.temperature > 5", "air.temperature + water.temperature",
     "temperatures in °C in a sum", None),
    ("-air.temperature > 5", "-air.temperature", "a negative temperature", None),
    ("this.level in [1, pump.starts]", "pump.starts", "'pump.starts' in a list", None),
    ("this.level in [1, 'a']", "'a'", "in a list", None),
    ("this.level in [1, shift]", "shift", "length in m beside time", None),
    ("this.high in [true]", "this.high", "which is yes or no", None),
    ("this.level.contains('1')", "this.level", "which is a number", None),
    ("note.text.contains(1)", "1", "which is a number", None),
    ("this.state.startswith('r')", "this.state.startswith", "a call of", "startsWith"),
    ("has(this.level)", "has", "a call of 'has'", None),
    ("this.level.exists(x, x > 1)", "this.level.exists", "a call of", None),
    ("2 * top < this.level", "top", "limit 'top', which has a deadband", None),
    ("this.level == top", "top", "limit 'top', which has a deadband", None),
    ("this.level > 0.5 < 1", "<", "'<'", None),
    ("this.level > 7 / 2", "7 / 2", "CEL drops the remainder", None),
    ("pump.starts % 2 == 1", "pump.starts % 2", "'%'", None),
    ("this.level / 0 > 1", "0", "a division by 0", None),
    ("this.level > 99999999999999999999", "99999999999999999999", "99999999999999999999", None),
    ("this.level > 1e999", "1e999", "1e999", None),
    ("this.level > 9007199254740992 * 2", "9007199254740992 * 2", "a very large number", None),
    ("this.level > 2m", "2m", "'2m'", None),
    ("this.level > 0x1F", "0x1F", "'0x1F'", None),
    ("this.level = 1", "=", "'='", "=="),
    ("this.high and this.level > 1", "and", "'and'", "&&"),
    ("this.high OR true", "OR", "'OR'", "||"),
    ("not this.high", "not", "'not'", "!"),
    ("this.high & true", "&", "'&'", "&&"),
    ("this.high && ", "", "the end", None),
    ("(this.high", "", "the end", None),
    ("this.high)", ")", "')'", None),
    ("this.level > ", "", "the end", None),
    ("this.high ? true", "", "the end", None),
    ("this.level in 1", "1", "'1'", None),
    ("[1] == [1]", "[", "'['", None),
    ("this.level[0] > 1", "[", "'['", None),
    ("(this.level).x", ".", "'.'", None),
    ("this.state == 'running", "'running", "text that does not end", None),
    ("this.state == 'a\\n'", "'a\\n'", "text with a backslash", None),
    ("this.high # note", "#", "'#'", None),
    ("this.level > 1 && this.null", "this.null", "'this.null'", None),
    ("", "", "an empty condition", None),
    ("   ", "", "an empty condition", None),
    ("this.state == '\ud800'", "'\ud800'", "half a character", None),
]  # fmt: skip


@pytest.mark.parametrize(("text", "part", "found", "nearest"), WRONG)
def test_one_thing_is_wrong(text: str, part: str, found: str, nearest: str | None) -> None:
    """It is named, placed, and the nearest valid name is offered."""
    faults = faults_of(text)
    assert len(faults) == 1, faults
    assert text[faults[0].start : faults[0].end] == part
    assert found in faults[0].found
    assert faults[0].nearest == nearest


def test_all_faults_come_at_once_and_in_order() -> None:
    """Names, words, types and units, each with its own place."""
    text = "this.lvel > 1 && this.state == 'runing' || this.level > shift || mains.present || 3"
    faults = faults_of(text)
    assert [text[fault.start : fault.end] for fault in faults] == [
        "this.lvel",
        "'runing'",
        "this.level > shift",
        "mains.present",
        "3",
    ]


def test_strange_signs_come_at_once() -> None:
    """Before anything is read."""
    assert [fault.found for fault in faults_of("this.high # 2m ~ 'a'")] == ["'#'", "'2m'", "'~'"]


def test_very_many_faults_are_cut_short() -> None:
    """Twenty are enough to see."""
    text = " && ".join(f"x{number}.y" for number in range(80))
    assert len(faults_of(text)) == 20


@pytest.mark.parametrize("length", [1001, 2_000_000])
def test_a_long_condition_is_not_read(length: int) -> None:
    """One fault says so, whatever stands in it."""
    (fault,) = faults_of("(" * length)
    assert fault.found == f"a condition of {length} characters"
