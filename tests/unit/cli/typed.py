"""A command line as a user types it, run in this process or as a program of its own."""

from __future__ import annotations

import json
import os
import shlex
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from collector.cli.main import run_from_shell

ROOT = Path(__file__).parents[3]
OSIER_BEND = ROOT / "config" / "osier-bend" / "plant.yaml"
ONE_SUMP = ROOT / "config" / "one-sump" / "plant.yaml"
PROGRAM = [sys.executable, "-m", "collector"]
WIDTH = 80


@dataclass(frozen=True)
class Said:
    """What a command line said, and how it ended."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """Its standard output as JSON."""
        return json.loads(self.out)


class Shell:
    """Types command lines."""

    def __init__(self, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self._capsys = capsys
        self._monkeypatch = monkeypatch

    def __call__(self, line: str, *more: str | Path) -> Said:
        """Run ``weirkeeper`` with the words of ``line`` and then ``more``."""
        words = ["weirkeeper", *shlex.split(line), *map(str, more)]
        self._monkeypatch.setattr(sys, "argv", words)
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            run_from_shell()
        out, err = self._capsys.readouterr()
        return Said(int(ended.value.code or 0), out, err)


def too_wide(text: str, but: Iterable[str] = ()) -> list[str]:
    """Lines of more than 80 columns, except those that hold one of the words in ``but``."""
    return [
        line
        for line in text.splitlines()
        if len(line) > WIDTH and not any(word in line for word in but)
    ]


def plain_environment() -> dict[str, str]:
    """This process's variables without settings of ours."""
    return {name: text for name, text in os.environ.items() if not name.startswith("WEIRKEEPER_")}
