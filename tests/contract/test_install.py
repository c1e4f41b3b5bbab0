"""The install script, run below a directory of its own: install, upgrade, refusal, way back.

Nothing of the machine is touched (``--root``); users, units and their start are not tried here,
since no service manager runs where the tests do.
"""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

from collector.journal.reader import JournalReader
from collector.journal.writer import Journal

ROOT = Path(__file__).parents[2]
LIMIT_S = 300


def install(root: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [ROOT / "deploy" / "install.sh", "--root", root, *options],
        capture_output=True, text=True, timeout=LIMIT_S, check=False,
    )  # fmt: skip


def test_an_upgrade_keeps_the_journal_a_refused_file_stops_it_and_there_is_a_way_back(
    tmp_path: Path,
) -> None:
    """What is in force changes in one step, and only when every plant file is understood."""
    home = tmp_path / "opt" / "weirkeeper"
    assert install(tmp_path, "--back").returncode == 1, "there is nothing to go back to"

    first = install(tmp_path)
    assert first.returncode == 0, first.stderr
    version = (home / "current").readlink()
    told = subprocess.run(
        [home / "current/weirkeeper", "--version"], capture_output=True, text=True, check=True
    )
    assert told.stdout.startswith("weirkeeper ")

    plant = tmp_path / "etc/weirkeeper/osier_bend/plant.yaml"
    plant.parent.mkdir()
    good = (ROOT / "config/osier-bend/plant.yaml").read_text()
    plant.write_text(good.replace("kind: screen", "kind: sceen"))
    journal = tmp_path / "var/lib/weirkeeper/osier_bend/weirkeeper.journal"
    journal.parent.mkdir()
    with Journal.open(journal, wall_us=lambda: 1) as writer:
        writer.remember_configuration("plant", good, "hash")
        writer.flush()
    kept = journal.read_bytes()
    time.sleep(1.1)  # versions are named by the second

    refused = install(tmp_path)
    assert refused.returncode == 1
    assert "refuses" in refused.stderr
    assert (home / "current").readlink() == version
    assert not (home / "before").is_symlink()

    plant.write_text(good)
    second = install(tmp_path)
    assert second.returncode == 0, second.stderr
    assert (home / "current").readlink() != version
    assert (home / "before").readlink() == version
    assert journal.read_bytes() == kept
    (copy,) = (journal.parent / "before-upgrade").iterdir()
    assert copy.stat().st_mode & 0o777 == 0o600
    with JournalReader(copy) as reader:
        in_force = reader.configuration_in_force("plant")
    assert in_force is not None
    assert in_force.text == good

    back = install(tmp_path, "--back")
    assert back.returncode == 0, back.stderr
    assert (home / "current").readlink() == version
    assert journal.read_bytes() == kept
