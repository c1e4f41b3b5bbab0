"""The desk against a reference that looks back second by second, over random lives of alarms."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.unit.core.alarms.sequences import live


@settings(max_examples=120, deadline=None)
@given(seed=st.integers(0, 2**32), steps=st.integers(1, 60))
def test_every_life_is_told_as_the_reference_tells_it(seed: int, steps: int) -> None:
    """Raise, clear, unknown, people, time, covers and restarts in any order: the same moves."""
    live(seed, steps)
