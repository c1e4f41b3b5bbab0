"""kill -9 at any moment: all that was acknowledged is there, without holes, in a sound file.

``python -m tests.bench.survival`` kills many more.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.writer_kills import kill_writers

KILLS = 30


@pytest.mark.timeout(120)
def test_kill_9_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """One journal, written by 30 processes in turn, each killed at a random moment under load, in
    the middle of commits, of deletions at the size limit, of the opening itself; the chain of the
    audited record is whole each time."""
    *_, (tally, acknowledged) = kill_writers(tmp_path / "j", KILLS, seed=9)
    assert tally.tried == KILLS
    assert tally.well, tally.said
    assert acknowledged > 5_000
