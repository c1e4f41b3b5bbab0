"""The whole daemon in a simulated world, whatever a seed brings: a hundred short lives and more.

What must hold is in ``whole/invariants.py``. Scan periods are stretched five times here, so that
more of the time is spent on what happens than on quiet reads.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.simulation.whole.trial import run_seed, tell

ROOT = Path(__file__).parents[2]
DAYS = 0.0035
PER_HOUR = 110.0
STRETCH = 5.0


@pytest.mark.parametrize("seed", range(1, 101))
def test_whatever_happens_the_record_is_right_and_arrives(seed: int) -> None:
    """Every other seed has all kinds of events, the others one kind and kills."""
    verdict = run_seed(seed, DAYS, stretch=STRETCH, per_hour=PER_HOUR)
    assert verdict.well, tell(verdict)
    assert verdict.found.figures["records for the broker"] > 100
    assert verdict.found.figures["machines compared"] == 12


PROGRAM = """
from tests.simulation.whole.trial import run_seed
print(run_seed(2, 0.0035, stretch=5.0, per_hour=110.0).digest)
"""


def test_the_same_seed_is_the_same_run_to_the_byte() -> None:
    """In this process, and in two others whose hashes of text differ: every byte to and from
    panels, broker and store, at the same nanosecond."""
    here = run_seed(2, DAYS, stretch=STRETCH, per_hour=PER_HOUR).digest
    assert here == run_seed(2, DAYS, stretch=STRETCH, per_hour=PER_HOUR).digest
    assert here != run_seed(102, DAYS, stretch=STRETCH, per_hour=PER_HOUR).digest
    for salt in ("1", "2"):
        told = subprocess.run(
            [sys.executable, "-c", PROGRAM], cwd=ROOT, capture_output=True, check=True, text=True,
            env={**os.environ, "PYTHONHASHSEED": salt},
        )  # fmt: skip
        assert told.stdout.strip() == here
