"""A journal damaged in every way there is: the start goes through, nothing is lost in silence."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.faulty_disk import MEMORY
from tests.faults.journal_damage import Original, make_original, meet
from tests.faults.journal_damages import FAULTS

EACH = 15
WITH_ENGINE = 5  # of so many, one start continues the engine too


@pytest.fixture(scope="module")
def original() -> Iterator[Original]:
    """A journal of an hour and a half of the example plant."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        yield make_original(Path(folder), 1.5)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_damaged_journal_is_met(original: Original, fault: str) -> None:
    """The start goes through and needs no second replacement; the damaged files are kept byte for
    byte; every record that is there is as Python's ``sqlite3`` reads it from the undamaged journal,
    but for values whose own bytes were altered; what is lost is told; no number is used again; no
    outlet skips what is there; the chain is whole, or says itself where it is not."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        for seed in range(EACH):
            met = meet(original, Path(name) / "x", fault, seed, engine=seed % WITH_ENGINE == 0)
            assert not met.wrong, (seed, met.wrong)
            assert met.told, f"seed {seed}: {met.lost} records are lost and nothing says so"
            if not met.in_use:
                assert met.kept >= met.readable, f"seed {seed}: more can be read"
