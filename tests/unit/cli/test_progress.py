"""How far long work is: shown to people on a terminal, wiped at the end, else nothing."""

from __future__ import annotations

import json
import os
import pty
import select
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from collector.cli.progress import progress, share_of
from tests.unit.cli.typed import ROOT

LONG_WORK = """
import time
from collector.cli.progress import progress
with progress("counting") as tell:
    for k in range(16):
        tell(k / 16)
        time.sleep(0.1)
print("done")
"""


def test_nothing_is_shown_where_nobody_looks_on(capsys: pytest.CaptureFixture[str]) -> None:
    """Neither on the error stream nor among the answers."""
    with progress("work") as tell:
        for share in (0.0, 0.5, 2.0, 0.1):
            tell(share)
    assert capsys.readouterr() == ("", "")


def test_on_a_terminal_it_is_shown_and_wiped() -> None:
    """Per cent of the work on the error stream; the answer goes to the other one."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    work = subprocess.Popen(
        [sys.executable, "-c", LONG_WORK], stderr=slave, stdout=subprocess.PIPE, cwd=ROOT
    )
    os.close(slave)
    seen = b""
    while select.select([master], [], [], 10)[0]:
        try:
            seen += os.read(master, 4096)
        except OSError:  # the terminal's other end has gone
            break
    os.close(master)
    out, _ = work.communicate(timeout=10)
    assert out == b"done\n"
    assert b"counting" in seen
    assert b" %" in seen
    assert not seen.rsplit(b"\r", 1)[-1].strip(), "nothing is left on the line"


def test_a_stretch_is_told_as_its_share() -> None:
    """From its begin to its end, of any two numbers."""
    told: list[float] = []
    reached = share_of(told.append, 100, 300)
    for at in (100, 200, 300):
        reached(at)
    share_of(told.append, 5, 5)(5)
    assert told == [0.0, 0.5, 1.0, 0.0]


def test_the_commands_answer_stays_the_same(tmp_path: Path) -> None:
    """JSON of a virtual run is JSON, whatever is shown beside it."""
    said = subprocess.run(
        [sys.executable, "-m", "collector", "demo", "--days", "0.2", "--json", "--keep", tmp_path],
        capture_output=True, text=True, check=True, cwd=ROOT,
    )  # fmt: skip
    assert json.loads(said.stdout)
    assert said.stderr == ""
