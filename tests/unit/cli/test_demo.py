"""``weirkeeper demo``: the simulated plant and the collector together, live and in virtual time."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from collector.errors import ExitCode
from tests.unit.cli.typed import PROGRAM, Shell, plain_environment, too_wide


def test_virtual_days_end_with_the_truth_beside_the_count(shell: Shell, tmp_path: Path) -> None:
    """Code 0 says that every machine's truth lies within what was told; the journal is kept."""
    said = shell("demo --days 0.1 --keep kept")
    assert (said.code, said.err) == (ExitCode.DONE, "")
    assert too_wide(said.out) == []
    assert "NO" not in said.out.split()
    assert "0.1 days in" in said.out
    assert (tmp_path / "kept" / "weirkeeper.journal").exists()
    status = shell("status --journal kept/weirkeeper.journal")
    assert "Osier Bend holiday park" in status.out
    again = shell("demo --days 0.1 --keep kept")
    assert again.code == ExitCode.CONFIGURATION
    assert again.err.splitlines() == [
        "weirkeeper: kept: found a journal already there, expected a folder of its own for the demo"
    ]


def test_virtual_days_for_a_program(shell: Shell) -> None:
    """Every machine with its count and the truth."""
    data = shell("demo --days 0.05 --seed 3 --json").data
    assert data["days"] == 0.05
    assert len(data["machines"]) == 12
    for machine in data["machines"]:
        low_s = machine["counted_s"] - machine["bracket_s"]
        high_s = machine["counted_s"] + machine["bracket_s"] + machine["unknown_s"]
        assert low_s <= machine["true_s"] <= high_s, machine


def test_the_live_demo_ends_by_itself_with_a_summary() -> None:
    """Real time, real sockets, embedded defaults; nothing but JSON on standard output."""
    said = subprocess.run(
        [*PROGRAM, "demo", "--for", "2", "--json"], capture_output=True, check=False, timeout=100,
        env=plain_environment(),
    )  # fmt: skip
    assert (said.returncode, said.stderr) == (ExitCode.DONE, b"")
    data = json.loads(said.stdout)
    assert data["picture"]["plant"] == "osier_bend"
    assert data["records"]["point"] > 50
    assert {panel["panel"]: panel["state"] for panel in data["picture"]["panels"]}["works"] == "up"
    assert len(data["true_run_s"]) == 12
