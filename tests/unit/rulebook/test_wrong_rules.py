"""Wrong rule files and their exact messages: see the ``wrong_*.txt`` files beside this one."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.errors import ConfigurationError, ExitCode
from collector.plant.load import load_plant
from collector.rulebook.load import RuleSet, parse_rules
from tests.unit.plant.wrong_files import EVERY_KIND, WrongFile, wrong_files

HERE = Path(__file__).parent
EVERY_RULE = HERE / "every_rule.yaml"
PLANT = load_plant(EVERY_KIND)
FILES = sorted(path.name for path in HERE.glob("wrong_*.txt"))
CASES = [case for name in FILES for case in wrong_files(name, EVERY_RULE)]


def read(text: str) -> RuleSet:
    """A rule file for the plant in which every kind of equipment stands."""
    return parse_rules([("rules.yaml", text)], PLANT)


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name).replace(" ", "-"))
def test_a_wrong_file_is_refused_with_exactly_its_message(case: WrongFile) -> None:
    """Each wrong file is refused with file, line, column, what was found and what is expected."""
    with pytest.raises(ConfigurationError) as refused:
        read(case.text)
    assert str(refused.value).split("\n") == case.messages
    assert refused.value.exit_code is ExitCode.CONFIGURATION


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name).replace(" ", "-"))
def test_messages_point_at_a_place_of_the_file_and_use_no_words_of_a_library(
    case: WrongFile,
) -> None:
    """Every problem stands on a line and column that exist, in words of this program."""
    with pytest.raises(ConfigurationError) as refused:
        read(case.text)
    lines = case.text.split("\n")
    for problem in refused.value.problems:
        assert problem.line is not None
        assert problem.column is not None
        assert 1 <= problem.line <= len(lines)
        assert 1 <= problem.column <= len(lines[problem.line - 1]) + 1
    for word in ("Input should", "pydantic", "validat", "token", "parsing", "Traceback"):
        assert word not in str(refused.value)


def test_there_are_enough_wrong_files_and_no_two_of_one_name() -> None:
    """The collection is whole: at least 40 cases, each with its own name and a message."""
    names = [case.name for case in CASES]
    assert len(names) >= 40
    assert len(set(names)) == len(names)
    assert all(case.messages for case in CASES)


def test_the_file_they_all_change_is_itself_right() -> None:
    """Whatever a case reports comes from its own change."""
    rules = read(EVERY_RULE.read_text(encoding="utf-8"))
    assert [alarm.subject for alarm in rules.alarms] == [
        "sump.high_water", "p1.pump_fault", "sump.much_inflow", "p1.many_starts",
        "p2.many_starts", "bay_pump.many_starts", "cloth.never_cleaned",
    ]  # fmt: skip
