"""Times and figures of rule files.

Source of the factors: The Unified Code for Units of Measure (min 60 s, h 60 min, d 24 h).
"""

from __future__ import annotations

import re

import pytest

from collector.rulebook.amounts import (
    DURATION_PATTERN,
    Figure,
    NoFigure,
    duration_us,
    figure_of,
)
from collector.units import UNITS


@pytest.mark.parametrize(
    ("written", "seconds"),
    [("10 s", 10), ("0 s", 0), ("5 min", 300), ("26 h", 93_600), ("2 d", 172_800), ("0.5 h", 1800)],
)
def test_a_time_is_its_number_of_seconds(written: str, seconds: int) -> None:
    """As UCUM defines minute, hour and day."""
    assert re.match(DURATION_PATTERN, written)
    assert duration_us(written) == seconds * 1_000_000


@pytest.mark.parametrize(
    "written", ["10", "10s", "ten s", "-1 s", "1 w", "1 h 30 min", "1,5 h", ""]
)
def test_other_times_are_refused(written: str) -> None:
    """One number, one blank, one unit."""
    assert not re.match(DURATION_PATTERN, written)


@pytest.mark.parametrize(
    ("written", "value", "code"),
    [("0.1 m", 0.1, "m"), ("-5 Cel", -5.0, "Cel"), ("10 {NTU}", 10.0, "{NTU}"), ("4", 4.0, "1"),
     (4, 4.0, "1"), (0.5, 0.5, "1"), ("1e3 L", 1000.0, "L")],
)  # fmt: skip
def test_a_figure_is_a_number_in_a_unit(written: str | float, value: float, code: str) -> None:
    """Without a unit it is a plain number."""
    assert figure_of(written) == Figure(value, UNITS[code])


@pytest.mark.parametrize(
    ("written", "nearest"),
    [("0.1m", "0.1 m"), ("5 metre", None), ("5 mins", "5 min"), ("many", None), ("5 l", "5 L")],
)
def test_what_is_no_figure_is_told_with_the_nearest(written: str, nearest: str | None) -> None:
    """A missing blank or a misspelt unit leads to the right spelling."""
    found = figure_of(written)
    assert isinstance(found, NoFigure)
    assert found.nearest == nearest
