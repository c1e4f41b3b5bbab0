"""Wrong plant files and their exact messages: see the ``wrong_*.txt`` files beside this one."""

from __future__ import annotations

import pytest

from collector.errors import ConfigurationError, ExitCode
from collector.plant.load import parse_plant
from tests.unit.plant.wrong_files import EVERY_KIND, HERE, WrongFile, wrong_files

FILES = sorted(path.name for path in HERE.glob("wrong_*.txt"))
CASES = [case for name in FILES for case in wrong_files(name)]


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name).replace(" ", "-"))
def test_a_wrong_file_is_refused_with_exactly_its_message(case: WrongFile) -> None:
    """Each wrong file is refused with file, line, column, what was found and what is expected."""
    with pytest.raises(ConfigurationError) as refused:
        parse_plant(case.text, "plant.yaml")
    assert str(refused.value).split("\n") == case.messages
    assert refused.value.exit_code is ExitCode.CONFIGURATION


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name).replace(" ", "-"))
def test_messages_point_at_a_line_of_the_file_and_use_no_words_of_a_library(
    case: WrongFile,
) -> None:
    """Every problem stands on a line and column that exist, in words of this program."""
    with pytest.raises(ConfigurationError) as refused:
        parse_plant(case.text, "plant.yaml")
    lines = case.text.split("\n")
    for problem in refused.value.problems:
        assert problem.line is not None
        assert problem.column is not None
        assert 1 <= problem.line <= len(lines)
        assert 1 <= problem.column <= len(lines[problem.line - 1]) + 1
    for word in ("Input should", "pydantic", "validat", "token", "parsing", "mapping values"):
        assert word not in str(refused.value)


def test_there_are_enough_wrong_files_and_no_two_of_one_name() -> None:
    """The collection is whole: at least 45 cases, each with its own name and a message."""
    names = [case.name for case in CASES]
    assert len(names) >= 45
    assert len(set(names)) == len(names)
    assert all(case.messages for case in CASES)


def test_the_file_they_all_change_is_itself_right() -> None:
    """Whatever a case reports comes from its own change."""
    assert (
        parse_plant(EVERY_KIND.read_text(encoding="utf-8"), "plant.yaml").plant.name == "old_mill"
    )
