"""What must not be in the program at all, read from its source; and who may read what it writes."""

from __future__ import annotations

import argparse
import ast
import os
import stat
from pathlib import Path

import pytest

from collector.cli.main import NAMES, build_parser, commands_of
from collector.core.scans import Read
from collector.errors import Bug
from collector.journal import Journal
from collector.links.frames import request_pdu
from tests.unit.cli.typed import OSIER_BEND, Shell
from tests.unit.reports.alarms_on_paper import HOUR_US, NOON_US, raised
from tests.unit.test_house import imports_of, modules, tree_of

FORBIDDEN_MODULES = {"pickle", "marshal", "shelve", "dill", "ctypes.util", "xmlrpc", "telnetlib"}
FORBIDDEN_CALLS = {
    ("os", "system"), ("os", "popen"), ("subprocess", "getoutput"), ("tempfile", "mktemp"),
    ("yaml", "load"), ("yaml", "unsafe_load"), ("yaml", "full_load"), ("yaml", "load_all"),
}  # fmt: skip
WRITES = {
    "write_coil", "write_coils", "write_register", "write_registers", "mask_write_register",
    "readwrite_registers", "write_file_record", "diag_restart_communication",
}  # fmt: skip
"""Calls of the Modbus library that would change something in a panel."""
SECRET_WORDS = ("secret", "token", "passphrase", "credential")


def test_nothing_runs_what_it_reads() -> None:
    """No pickled objects, no unsafe YAML, no shell (OWASP: deserialisation, command injection)."""
    for path in modules("collector", "simulator"):
        assert not FORBIDDEN_MODULES & imports_of(path), path
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Call):
                called = node.func
                if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name):
                    assert (called.value.id, called.attr) not in FORBIDDEN_CALLS, path
                for word in node.keywords:
                    is_shell = word.arg == "shell" and not _is_false(word.value)
                    assert not is_shell, f"{path}:{node.lineno}"


def _is_false(value: ast.expr) -> bool:
    return isinstance(value, ast.Constant) and value.value is False


def test_no_call_that_writes_to_a_panel_is_anywhere() -> None:
    """Neither by name nor as a function code of a request."""
    for path in modules("collector"):
        names = {node.attr for node in ast.walk(tree_of(path)) if isinstance(node, ast.Attribute)}
        assert not names & WRITES, path


@pytest.mark.parametrize("function", [0, *range(5, 128), 128, 255])
def test_only_reads_can_become_a_request(function: int) -> None:
    """Function codes 1 to 4 read; all others, 5, 6, 15, 16, 22, 23 among them, do not.

    Source: Modbus Application Protocol V1.1b3, section 6.
    """
    with pytest.raises(Bug):
        request_pdu(Read(1, function, 0, 1))


def _options(parser: argparse.ArgumentParser) -> list[str]:
    found: list[str] = []
    for action in parser._actions:
        found += action.option_strings
        if isinstance(action, argparse._SubParsersAction):
            for choice in action.choices.values():
                found += _options(choice)
    return found


def test_no_secret_is_ever_an_option() -> None:
    """Others on the machine can see command lines."""
    options = _options(build_parser(commands_of(NAMES)))
    assert len(options) > 100
    wrong = [name for name in options if any(word in name for word in (*SECRET_WORDS, "password"))]
    assert wrong == []


def test_what_is_written_is_closed_to_others_whatever_the_mask(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Journal, records, exports: nothing of it is for other users, even with a mask of 0."""
    shell = Shell(capsys, monkeypatch)
    before = os.umask(0)
    try:
        path = tmp_path / "weirkeeper.journal"
        with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as writer:
            writer.remember_configuration("plant", OSIER_BEND.read_text(), "hash")
            writer.submit([raised(HOUR_US)])
            assert writer.flush(10)
            out = tmp_path / "out"
            for line in (
                "report --period 2026-07 --no-pdf",
                "export --format csv",
                "export --format parquet",
            ):
                assert shell(f"{line} --journal", path, "--out", out).code == 0
            one = tmp_path / "alarms.csv"
            line = "alarms export --from 2026-07-01 --format csv --journal"
            assert shell(line, path, "--out", one).code == 0
    finally:
        os.umask(before)
    files = [each for each in tmp_path.rglob("*") if each.is_file()]
    assert len(files) >= 12
    for each in files:
        mode = stat.S_IMODE(each.stat().st_mode)
        assert mode & 0o007 == 0, f"{each.name}: {mode:o}"
        if each.name.startswith("weirkeeper.journal"):
            assert mode & 0o077 == 0, f"{each.name}: {mode:o}"
    for each in tmp_path.rglob("*"):
        if each.is_dir():
            assert stat.S_IMODE(each.stat().st_mode) & 0o002 == 0, each
