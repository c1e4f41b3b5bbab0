"""``weirkeeper check`` of rule files: explained, refused, questioned; with a plant and without."""

from __future__ import annotations

import textwrap
from pathlib import Path

import jsonschema
import pytest

from collector.errors import ExitCode
from tests.unit.cli.typed import ONE_SUMP, OSIER_BEND, ROOT, Shell, too_wide

RULES = ROOT / "rules"
RULE = """\
alarms:
  hot:
    for: {each: pump}
    title: runs hot
    when: "%s"
    limits: {most: {value: "9 A", deadband: "1 A"}}
    on_delay: 5 min
    off_delay: 1 min
    priority: low
    causes: [blocked]
    consequence: it trips
    response: lift it
    respond_within: 1 d
    suppressed_by: [{when: "this_supply.no_voltage", reason: the supply is out}]
"""
WHEN = "this.current > most && this.run"


@pytest.fixture
def write(tmp_path: Path) -> Path:
    """The rule file of these tests."""
    path = tmp_path / "own.yaml"
    path.write_text(RULE % WHEN, encoding="utf-8")
    return path


def folded(text: str) -> str:
    """Lines joined, as one reads them."""
    return " ".join(text.split())


def test_a_rule_is_explained_in_plain_words(shell: Shell, write: Path) -> None:
    """For whom, when, how gravely, suppressed by what, and for whom not and why."""
    said = shell("check", OSIER_BEND, write)
    assert (said.code, said.err) == (ExitCode.DONE, "")
    text = folded(said.out)
    assert "hot (low), for each pump with a 'current' point: 'runs hot' is raised when" in text
    assert "is above 9 A" in text
    assert "for 5 min; clears when that has not been so for 1 min." in text
    assert "Suppressed while no voltage of its supply: the supply is out." in text
    assert "Left out for want of a 'current' point: bowser_pump." in text
    assert "1 rule, 6 alarms in this plant: 6 low, 0 medium, 0 high" in text


def test_the_plant_may_be_named_by_option(shell: Shell, write: Path) -> None:
    """Then only the rules are told."""
    said = shell("check", write, "--plant", ONE_SUMP)
    assert said.code == ExitCode.DONE
    assert "reads (addresses)" not in said.out
    assert "Here it is for nothing." in said.out
    assert shell("check", write, "--plant", "absent.yaml").code == ExitCode.CONFIGURATION


def test_without_a_plant_a_rule_is_checked_as_far_as_that_goes(shell: Shell, write: Path) -> None:
    """What kinds have is known; names of one plant are not."""
    said = shell("check", write)
    assert said.code == ExitCode.DONE
    assert "'runs hot' is raised when current of this pump is above 9 A" in folded(said.out)
    write.write_text(RULE % WHEN.replace("run", "rum"), encoding="utf-8")
    said = shell("check", write)
    assert said.code == ExitCode.CONFIGURATION
    assert f"{write}:5:35: alarms.hot.when: found 'this.rum'" in said.out
    write.write_text(RULE % f"{WHEN} && works.mains_present", encoding="utf-8")
    said = shell("check", write)
    assert said.code == ExitCode.DONE
    assert "its condition can only be checked with a plant file (--plant)" in folded(said.out)


def test_a_condition_that_never_or_always_holds_is_questioned(shell: Shell, write: Path) -> None:
    """No mistake for sure, so the answer is still yes."""
    write.write_text(RULE % "this.current > most && this.current < 2.0", encoding="utf-8")
    said = shell("check", OSIER_BEND, write)
    assert said.code == ExitCode.DONE
    assert f"{write}:5:11: alarms.hot.when: can never be true; is that meant?" in said.out
    write.write_text(RULE % "this.current > most || !(this.current > most)", encoding="utf-8")
    assert "is always true; is that meant?" in shell("check", OSIER_BEND, write).out


def test_a_program_gets_the_alarms_of_each_rule(shell: Shell, write: Path) -> None:
    """With those it is left out for, and the names that are missing."""
    _, told = shell("check --json", OSIER_BEND, write).data
    assert told["problems"] == []
    hot = told["rules"]["hot"]
    assert "collection_pump_1.hot" in hot["alarms"]
    assert hot["left_out"] == {"bowser_pump": ["this.current"]}
    assert (hot["priority"], hot["questions"]) == ("low", [])


def test_the_shipped_rules_are_right_and_ask_nothing(shell: Shell) -> None:
    """The whole directory at once, within 80 columns but for names of files."""
    said = shell("check", OSIER_BEND, RULES)
    assert said.code == ExitCode.DONE
    assert too_wide(said.out, but=[str(ROOT)]) == []
    assert "is that meant" not in said.out
    assert "alarms in this plant" in said.out
    assert shell("check", RULES).code == ExitCode.DONE


def test_files_are_checked_as_one_set(shell: Shell, write: Path, tmp_path: Path) -> None:
    """A rule that replaces another needs the file of that other before it."""
    other = tmp_path / "other.yaml"
    text = textwrap.indent("replaces: true\n", "    ")
    other.write_text(RULE % WHEN + text, encoding="utf-8")
    assert shell("check", OSIER_BEND, write, other).code == ExitCode.DONE
    said = shell("check", OSIER_BEND, other, write)
    assert said.code == ExitCode.CONFIGURATION
    assert "expected the name of a rule in a file before this one" in said.out
    assert f"{other}: 1 problem" in said.out


def test_files_of_service_are_checked_too(shell: Shell, tmp_path: Path) -> None:
    """They are known by their top key, and need a plant."""
    service = RULES / "service"
    said = shell("check", OSIER_BEND, service)
    assert said.code == ExitCode.DONE
    assert "tasks of service in this plant" in said.out
    assert "can only be checked with a plant file" in shell("check", service).out
    wrong = tmp_path / "own.yaml"
    wrong.write_text("service: {oil: {titel: change the oil}}\n", encoding="utf-8")
    said = shell("check", wrong, "--plant", ONE_SUMP)
    assert said.code == ExitCode.CONFIGURATION
    assert f"{wrong}:1:17: service.oil.titel: found the unknown key 'titel'" in said.out


def test_the_schema_of_rule_files_is_one(shell: Shell) -> None:
    """A schema by the standard's own description (JSON Schema 2020-12)."""
    schema = shell("check --schema rules").data
    jsonschema.Draft202012Validator.check_schema(schema)
    assert "alarms" in schema["properties"]
    assert "panels" in shell("check --schema").data["properties"]


@pytest.mark.parametrize("content", ["alarms:", "alarms: 3", "alarms: {a: 1}", "alarms: [1]"])
def test_no_rule_file_brings_it_down(content: str, shell: Shell, tmp_path: Path) -> None:
    """Whatever is in the file: one or more sentences, code 3."""
    (tmp_path / "odd.yaml").write_text(content, encoding="utf-8")
    said = shell("check odd.yaml")
    assert said.code == ExitCode.CONFIGURATION
    assert said.out.startswith("odd.yaml")
    empty = tmp_path / "empty"
    empty.mkdir(exist_ok=True)
    assert shell("check empty").code == ExitCode.CONFIGURATION
