"""The command line as a whole: help, what was meant, exit codes, pipes and our own mistakes.

Exit codes are those the help and README.md document; 70 is EX_SOFTWARE of sysexits.h, the others
are the project's own.
"""

from __future__ import annotations

import argparse
import json
import os
import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.cli import main as command_line
from collector.cli.command import Answer, Command
from collector.errors import Bug, ExitCode
from tests.unit.cli.typed import ONE_SUMP, OSIER_BEND, PROGRAM, ROOT, Shell, plain_environment
from tests.unit.cli.typed import too_wide as too_wide_lines

NAMES = [command.name for command in command_line.commands_of()]


# --- help -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", command_line.commands_of(), ids=NAMES)
def test_every_command_explains_itself_with_an_example_that_works(
    command: Command, shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Help fits 80 columns, says what the command does, and its example is a right line."""
    said = shell(f"{command.name} --help")
    assert said.code == ExitCode.DONE
    assert too_wide_lines(said.out) == []
    assert command.summary[1:] in said.out
    assert f"  {command.example}\n" in said.out
    monkeypatch.chdir(ROOT)
    program, *words = shlex.split(command.example)
    options = command_line.build_parser(command_line.commands_of()).parse_args(words)
    assert (program, options.command) == ("weirkeeper", command.name)


def test_the_help_names_every_command_and_exit_code(shell: Shell) -> None:
    """And the cautions, within 80 columns."""
    said = shell("--help")
    assert said.code == ExitCode.DONE
    assert too_wide_lines(said.out) == []
    for command in command_line.commands_of():
        assert command.summary in " ".join(said.out.split())
    for code in ExitCode:
        assert f"\n  {code.value:<2}  " in said.out
    assert "no safety system" in said.out


@pytest.mark.parametrize("command", command_line.commands_of(), ids=NAMES)
def test_every_option_has_help(command: Command) -> None:
    """An option nobody explains is one nobody uses."""
    parser = argparse.ArgumentParser()
    command.add_options(parser)
    unexplained = [action.dest for action in parser._actions if not action.help]
    assert unexplained == []


def test_without_a_command_the_help_is_shown_and_the_code_says_usage(shell: Shell) -> None:
    """A script that forgets the command notices."""
    said = shell("")
    assert said.code == ExitCode.USAGE
    assert said.out.startswith("usage: weirkeeper")


# --- what was meant -------------------------------------------------------------------------------

MISTAKES = {
    "chekc": (
        "weirkeeper: there is no command 'chekc', did you mean 'check'?; "
        "'weirkeeper --help' explains"
    ),
    "xyzzy": "weirkeeper: there is no command 'xyzzy'; 'weirkeeper --help' explains",
    "run --plnat x": (
        "weirkeeper run: there is no option '--plnat', did you mean '--plant'?; "
        "'weirkeeper run --help' explains"
    ),
    "status --journl=x": (
        "weirkeeper status: there is no option '--journl', did you mean '--journal'?; "
        "'weirkeeper status --help' explains"
    ),
    "--json status": (
        "weirkeeper: the option '--json' goes after the command; 'weirkeeper --help' explains"
    ),
    "run": "weirkeeper run: it needs --plant; 'weirkeeper run --help' explains",
    "run --plant": (
        "weirkeeper run: argument --plant: expected one argument; 'weirkeeper run --help' explains"
    ),
    "status extra": "weirkeeper: nothing asks for extra; 'weirkeeper --help' explains",
    "check": "weirkeeper check: it needs a FILE, or --schema; 'weirkeeper check --help' explains",
    "demo --for 0": (
        "weirkeeper demo: argument --for: found '0', expected a number above 0; "
        "'weirkeeper demo --help' explains"
    ),
    "demo --for nan": (
        "weirkeeper demo: argument --for: found 'nan', expected a number above 0; "
        "'weirkeeper demo --help' explains"
    ),
    "demo --days -1": (
        "weirkeeper demo: argument --days: found '-1', expected a number above 0; "
        "'weirkeeper demo --help' explains"
    ),
    "demo --for 1 --days 1": (
        "weirkeeper demo: argument --days: not allowed with argument --for; "
        "'weirkeeper demo --help' explains"
    ),
    "demo --seed 1.5": (
        "weirkeeper demo: argument --seed: found '1.5', expected a whole number; "
        "'weirkeeper demo --help' explains"
    ),
    f"loopcheck --plant {OSIER_BEND} --panel wroks": (
        "weirkeeper loopcheck: there is no panel 'wroks', did you mean 'works'?; "
        "'weirkeeper loopcheck --help' explains"
    ),
    f"loopcheck --plant {ONE_SUMP} --point meadow.pump_3_run": (
        "weirkeeper loopcheck: no point fits 'meadow.pump_3_run', did you mean "
        "'meadow.pump_2_run'?; 'weirkeeper loopcheck --help' explains"
    ),
    f"loopcheck --plant {ONE_SUMP} --for 5": (
        "weirkeeper loopcheck: --for only goes with --watch; 'weirkeeper loopcheck --help' explains"
    ),
}


@pytest.mark.parametrize("line", MISTAKES, ids=lambda line: line.replace(str(ROOT), ""))
def test_a_wrong_command_line_is_told_in_one_line_with_the_nearest_name(
    line: str, shell: Shell
) -> None:
    """Code 2, nothing on standard output, and what was probably meant."""
    said = shell(line)
    assert said.code == ExitCode.USAGE
    assert said.out == ""
    assert said.err.splitlines() == [MISTAKES[line]]


# --- exit codes of what goes wrong ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "code", "sentence"),
    [
        (
            "run --plant absent.yaml",
            ExitCode.CONFIGURATION,
            "absent.yaml: found no such file, expected the path of a readable file",
        ),
        (
            f"run --plant {ONE_SUMP} --settings absent.yaml",
            ExitCode.CONFIGURATION,
            "absent.yaml: found no such file, expected the path of a readable file",
        ),
        (
            "status --journal absent/weirkeeper.journal",
            ExitCode.JOURNAL,
            "the directory absent for the journal weirkeeper.journal does not exist",
        ),
        ("status", ExitCode.JOURNAL, "there is no journal at weirkeeper.journal"),
        (
            f"status --journal {ONE_SUMP}",
            ExitCode.JOURNAL,
            f"{ONE_SUMP} is not a journal: it is no SQLite database",
        ),
    ],
)
def test_an_error_is_one_sentence_and_its_code(
    line: str, code: ExitCode, sentence: str, shell: Shell
) -> None:
    """On standard error; standard output stays empty for whoever reads it."""
    said = shell(line)
    assert (said.code, said.out) == (code, "")
    assert said.err.splitlines() == [f"weirkeeper: {sentence}"]


def a_command(execute: Callable[[argparse.Namespace], Answer | None]) -> Command:
    """A command of the test's own."""
    return Command("trial", "try", "weirkeeper trial", lambda parser: None, execute)


@pytest.fixture
def trial(monkeypatch: pytest.MonkeyPatch) -> Callable[[BaseException], None]:
    """Have ``weirkeeper trial`` fail in a given way."""

    def failing(error: BaseException) -> None:
        def execute(options: argparse.Namespace) -> Answer | None:
            raise error

        loaded = (a_command(execute),)
        monkeypatch.setattr(command_line, "NAMES", ("trial",))
        monkeypatch.setattr(command_line, "commands_of", lambda names: loaded)

    return failing


@pytest.mark.parametrize("error", [ZeroDivisionError("division by zero"), Bug("no such thing")])
def test_a_bug_of_ours_is_one_line_and_code_70(
    error: Exception, shell: Shell, trial: Callable[[BaseException], None]
) -> None:
    """No traceback on the screen, whether the mistake was foreseen or not."""
    trial(error)
    said = shell("trial")
    assert said.code == 70
    assert len(said.err.splitlines()) == 1
    assert str(error) in said.err
    assert "Traceback" not in said.err


def test_the_traceback_of_a_bug_can_be_had(
    shell: Shell, trial: Callable[[BaseException], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the variable that the one line names."""
    trial(ZeroDivisionError("division by zero"))
    assert "WEIRKEEPER_TRACEBACK=1" in shell("trial").err
    monkeypatch.setenv("WEIRKEEPER_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        command_line.run_from_shell()


def test_interrupting_is_no_failure(shell: Shell, trial: Callable[[BaseException], None]) -> None:
    """Ctrl-C is how a watching command ends."""
    trial(KeyboardInterrupt())
    said = shell("trial")
    assert (said.code, said.err) == (ExitCode.DONE, "")


@pytest.mark.parametrize("line", ["check --schema", f"check --json {OSIER_BEND}"])
def test_a_reader_that_leaves_early_is_no_failure(line: str) -> None:
    """As with ``| head -1``: no traceback, no complaint at exit."""
    reading, writing = os.pipe()
    process = subprocess.Popen(
        [*PROGRAM, *shlex.split(line)], stdout=writing, stderr=subprocess.PIPE,
        env=plain_environment(),
    )  # fmt: skip
    os.close(reading)
    os.close(writing)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (ExitCode.DONE, b"")


def test_a_terminal_that_lacks_a_character_shows_a_mark(tmp_path: Path) -> None:
    """Service managers start programs without a locale; a name in a plant file must not end them.

    What is printed for programs loses nothing.
    """
    text = ONE_SUMP.read_text(encoding="utf-8").replace("Lower Meadow", "Lower Mëadow")
    path = tmp_path / "plant.yaml"
    path.write_text(text.replace("kind: group", "kind: grüp"), encoding="utf-8")
    environment = {**plain_environment(), "LC_ALL": "C", "PYTHONUTF8": "0"}

    def typed(*words: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            [*PROGRAM, *words], capture_output=True, check=False, env=environment, timeout=60
        )

    shown = typed("check", str(path))
    assert (shown.returncode, shown.stderr) == (ExitCode.CONFIGURATION, b"")
    assert b"found 'gr?p'" in shown.stdout
    told = json.loads(typed("check", str(path), "--json").stdout)
    assert told[0]["problems"][0]["found"] == "'grüp'"
