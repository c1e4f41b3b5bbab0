"""What the tests of the command line share."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.cli.month import run_month
from collector.plant_file import read_plant_file
from collector.settings import variable_names
from tests.unit.cli.typed import OSIER_BEND, Shell


@pytest.fixture
def shell(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Shell:
    """Types command lines in an empty folder, with no settings in the environment."""
    for name in variable_names():
        monkeypatch.delenv(name, raising=False)
    monkeypatch.chdir(tmp_path)
    return Shell(capsys, monkeypatch)


@pytest.fixture(scope="session")
def rich_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal of half a day at Osier Bend; for reading only."""
    path = tmp_path_factory.mktemp("rich") / "weirkeeper.journal"
    run_month(read_plant_file(OSIER_BEND), path, days=0.5, seed=1)
    return path
