"""``weirkeeper password`` as it is typed: on a terminal of its own, and through a pipe.

The hash is judged by the library that made it; the terminal is a real pseudo terminal.
"""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import argon2
import pytest

from collector.errors import ExitCode
from tests.unit.cli.typed import plain_environment

PASSWORD = "reeds by the water"
COMMAND = [sys.executable, "-m", "collector", "password"]


def piped(folder: Path, text: str, file: str = "page.password") -> subprocess.CompletedProcess[str]:
    """Give it a line as a script would."""
    return subprocess.run(
        [*COMMAND, file], input=text, cwd=folder, capture_output=True, text=True,
        env=plain_environment(), check=False, timeout=30,
    )  # fmt: skip


def typed(folder: Path, *lines: str) -> tuple[int, str]:
    """Type lines at a terminal; its exit code and all that stood on the screen."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, "page.password"], cwd=folder, stdin=theirs, stdout=theirs, stderr=theirs,
        env=plain_environment(), start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    screen = b""
    waiting = list(lines)
    asked = 0
    while True:
        try:
            screen += os.read(ours, 4_096)
        except OSError:  # the other side has closed it
            break
        if waiting and screen.count(b": ") > asked:
            asked = screen.count(b": ")
            os.write(ours, waiting.pop(0).encode() + b"\n")
    os.close(ours)
    return process.wait(30), screen.decode()


def kept(folder: Path) -> str:
    """What stands in the file."""
    return (folder / "page.password").read_text("ascii").strip()


def test_a_line_from_a_pipe_becomes_a_hash_that_its_owner_alone_may_read(tmp_path: Path) -> None:
    """Whatever the umask; the password itself stands nowhere."""
    said = piped(tmp_path, PASSWORD + "\n")
    assert (said.returncode, said.stderr) == (ExitCode.DONE, "")
    assert argon2.PasswordHasher().verify(kept(tmp_path), PASSWORD)
    assert (tmp_path / "page.password").stat().st_mode & 0o777 == 0o600
    assert PASSWORD not in said.stdout + kept(tmp_path)
    assert os.listdir(tmp_path) == ["page.password"]


def test_on_a_terminal_it_is_asked_for_twice_and_not_shown(tmp_path: Path) -> None:
    """Neither on the screen nor anywhere."""
    code, screen = typed(tmp_path, PASSWORD, PASSWORD)
    assert code == ExitCode.DONE
    assert "once more: " in screen
    assert PASSWORD not in screen
    assert argon2.PasswordHasher().verify(kept(tmp_path), PASSWORD)


def test_two_different_ones_change_nothing(tmp_path: Path) -> None:
    """A slip of the finger must not lock anybody out."""
    code, screen = typed(tmp_path, PASSWORD, PASSWORD + "x")
    assert code == ExitCode.USAGE
    assert "found two different passwords" in screen
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "found a password of 0 characters, expected 12 at least"),
        ("short\n", "found a password of 5 characters, expected 12 at least"),
        ("x" * 2_000, "found a password of more than 1024 bytes"),
    ],
)
def test_a_password_that_cannot_be_meant_changes_nothing(
    tmp_path: Path, text: str, says: str
) -> None:
    """One sentence, and the old one stays."""
    (tmp_path / "page.password").write_text("before")
    said = piped(tmp_path, text)
    assert said.returncode == ExitCode.USAGE
    assert says in said.stderr
    assert len(said.stderr.splitlines()) == 1
    assert kept(tmp_path) == "before"


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """With the reason, without a traceback."""
    said = piped(tmp_path, PASSWORD, "missing/page.password")
    assert said.returncode == ExitCode.USAGE
    assert "cannot write missing/page.password: No such file or directory" in said.stderr
