"""``weirkeeper check``: right, wrong and absent files, for people and for programs."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest

from collector.errors import ExitCode
from tests.unit.cli.typed import ONE_SUMP, OSIER_BEND, Shell, too_wide

# Modbus Application Protocol V1.1b3, sections 6.1 to 6.4: the most one read may ask for.
MOST = {1: 2000, 2: 2000, 3: 125, 4: 125}
WRONG = "plant: {name: Foo, title: Foo, time_zone: UTC}\nlinkz: {}\npanels: {}\n"


def test_a_right_file_is_told_with_how_its_panels_will_be_read(shell: Shell) -> None:
    """What a person wants to see before going to site, within 80 columns."""
    said = shell("check", OSIER_BEND, ONE_SUMP)
    assert (said.code, said.err) == (ExitCode.DONE, "")
    assert too_wide(said.out, but=[str(OSIER_BEND)]) == []
    assert f"{OSIER_BEND}: right\n" in said.out
    assert "Osier Bend holiday park, Europe/London: 1 screen, 4 wells, 7 pumps" in said.out
    assert "holding registers 200 to 215" in said.out
    assert f"{ONE_SUMP}: right\n" in said.out


def test_a_program_gets_the_reads_of_every_panel(shell: Shell) -> None:
    """Each within what the protocol allows in one read."""
    (told,) = shell("check --json", OSIER_BEND).data
    assert told["problems"] == []
    assert set(told["panels"]) == {"works", "meadow", "bowser"}
    for reads in told["panels"].values():
        for read in reads:
            assert 1 <= read["count"] <= MOST[read["function"]]


def test_everything_wrong_is_told_at_once_and_the_others_are_checked_too(
    shell: Shell, tmp_path: Path
) -> None:
    """Code 3 if any file is wrong, with each problem on a line that an editor can jump to."""
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(WRONG, encoding="utf-8")
    said = shell("check wrong.yaml absent.yaml", ONE_SUMP)
    assert said.code == ExitCode.CONFIGURATION
    lines = said.out.splitlines()
    assert lines[0].startswith("wrong.yaml:1:15: plant.name: found 'Foo', expected a name")
    assert "wrong.yaml:2:1: linkz: found the unknown key 'linkz'" in said.out
    assert "absent.yaml: found no such file, expected the path of a readable file" in lines
    assert "absent.yaml: 1 problem" in lines
    assert f"{ONE_SUMP}: right" in lines
    wrong_told, absent_told, right_told = shell(
        "check --json wrong.yaml absent.yaml", ONE_SUMP
    ).data
    assert {problem["line"] for problem in wrong_told["problems"]} >= {1, 2}
    assert absent_told["problems"][0]["found"] == "no such file"
    assert right_told["problems"] == []


def test_the_schema_it_prints_is_one(shell: Shell) -> None:
    """A schema by the standard's own description (JSON Schema 2020-12)."""
    jsonschema.Draft202012Validator.check_schema(shell("check --schema").data)


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"a: [", b"\x00" * 9, b"- a\n", b"42"])
def test_no_file_brings_it_down(content: bytes, shell: Shell, tmp_path: Path) -> None:
    """Whatever is in the file: one or more sentences, code 3."""
    (tmp_path / "odd.yaml").write_bytes(content)
    said = shell("check odd.yaml")
    assert said.code == ExitCode.CONFIGURATION
    assert said.out.startswith("odd.yaml")
    assert "Traceback" not in said.out + said.err
