"""All measurements of speed and size, one table, and the same as JSON beside it.

    .venv/bin/python -m tests.bench [NAME ...] [--quick] [--json FILE]

Each measurement runs in a process of its own. ``--quick`` takes smaller amounts and fewer
repetitions: it shows that all of it runs, its figures are rough. Ends with 1 if a target is missed.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path

from collector.logs import start_logging
from collector.settings import LogSettings
from tests.bench.speed.figures import Figure, table

NAMES = (
    "scan_cost", "many_panels", "serial_bus", "contact_latency", "journal_rate", "catch_up",
    "recompute_cost", "rule_cost", "queries", "start_up", "region",
)  # fmt: skip


def one(name: str, *, quick: bool) -> list[Figure]:
    """The figures of one measurement, made in a process of its own."""
    command = [sys.executable, "-m", "tests.bench", name, "--within"]
    told = subprocess.run(
        command + ["--quick"] * quick, stdout=subprocess.PIPE, text=True, check=False
    )
    if told.returncode:
        sys.exit(f"{name} failed with {told.returncode}")
    return [Figure.from_json(line) for line in json.loads(told.stdout)]


def main() -> int:
    """Run what is asked for."""
    asking = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    asking.add_argument("names", nargs="*", metavar="NAME", help=", ".join(NAMES))
    asking.add_argument("--quick", action="store_true", help="smaller amounts, rough figures")
    asking.add_argument("--json", type=Path, metavar="FILE", help="write the figures there too")
    asking.add_argument("--within", action="store_true", help=argparse.SUPPRESS)
    asked = asking.parse_args()
    for name in asked.names:
        if name not in NAMES:
            asking.error(f"there is no {name}; there are {', '.join(NAMES)}")
    if asked.json is not None and not asked.json.parent.is_dir():
        asking.error(f"there is no folder {asked.json.parent} to write {asked.json.name} in")
    if asked.within:
        module = importlib.import_module(f"tests.bench.speed.{asked.names[0]}")
        with contextlib.redirect_stdout(sys.stderr):  # whatever else is said
            start_logging(LogSettings(level="error"))
            figures = module.measure(quick=asked.quick)
        print(json.dumps([figure.as_json() for figure in figures]))
        return 0
    found: dict[str, list[Figure]] = {}
    for name in asked.names or NAMES:
        began_s = time.monotonic()
        found[name] = one(name, quick=asked.quick)
        print(f"\n{name} ({time.monotonic() - began_s:.0f} s)")
        print(table(found[name]), flush=True)
    if asked.json is not None:
        told = {
            "machine": f"{os.cpu_count()} cores, {platform.machine()}, Python "
            f"{platform.python_version()}",
            "load": os.getloadavg(),
            "figures": {n: [f.as_json() for f in figures] for n, figures in found.items()},
        }
        asked.json.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    missed = [f.name for figures in found.values() for f in figures if f.verdict == "MISSED"]
    if missed:
        print(f"\nmissed: {'; '.join(missed)}")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
