"""The files that ship for a site, judged by the tools they are made for.

``systemd-analyze security`` weighs what a service could do from 0 (nothing) to 10 (systemd.exec(5),
systemd-analyze(1)).
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from tests.real_parts import program

SHIPPED = Path(__file__).parents[2] / "deploy" / "systemd"
MOST_EXPOSED = 2.0


def test_the_unit_leaves_the_collector_little_to_do_harm_with(tmp_path: Path) -> None:
    """Its exposure is at most 2.0, with a serial line and secrets of a site too."""
    unit = tmp_path / "weirkeeper@.service"
    unit.write_text((SHIPPED / unit.name).read_text())
    added = tmp_path / "weirkeeper@.service.d"
    added.mkdir()
    for name in ("serial-line.conf", "secrets.conf"):
        (added / name).write_text((SHIPPED / name).read_text())
    judged = subprocess.run(
        [program("systemd-analyze", "systemd"), "security", "--offline=true", "--no-pager", unit],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    exposure = re.search(r"Overall exposure level.*: ([0-9.]+)", judged)
    assert exposure is not None, judged
    assert float(exposure[1]) <= MOST_EXPOSED


def test_the_service_manager_understands_every_line(tmp_path: Path) -> None:
    """Nothing is misspelt; only the program itself is missing where nothing is installed."""
    judged = subprocess.run(
        [program("systemd-analyze", "systemd"), "verify", SHIPPED / "weirkeeper@.service"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    complaints = [
        line
        for line in judged.stderr.splitlines()
        if "weirkeeper" in line and "is not executable: No such file" not in line
    ]
    assert complaints == []


def test_the_program_may_be_found_stuck_before_the_manager_ends_it() -> None:
    """The watchdog waits longer than the collector itself takes to say that it is stuck."""
    from collector.daemon import STUCK_AFTER_US

    text = (SHIPPED / "weirkeeper@.service").read_text()
    watchdog = re.search(r"^WatchdogSec=(\d+)$", text, re.MULTILINE)
    assert watchdog is not None
    assert int(watchdog[1]) > STUCK_AFTER_US / 1e6


def test_the_container_file_is_valid() -> None:
    """``docker-compose`` itself reads it; no container is started here."""
    judged = subprocess.run(
        [program("docker-compose", "docker-compose"), "-f", SHIPPED.parent / "compose.yaml",
         "config", "-q"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert judged.returncode == 0, judged.stderr
