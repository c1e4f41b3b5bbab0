"""Tables fit 80 columns, figures are never cut, and times read as people write them."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.cli.tables import WIDTH, cut, duration, hours, local_time, table

NOON_US = 1_772_366_400_000_000  # 2026-03-01T12:00:00Z
ZONE = ZoneInfo("Europe/London")
names = st.text("abcdefghijklmnopqrstuvwxyz_12", min_size=1, max_size=60)
figures = st.floats(0, 9e6).map("{:.3f}".format)


@given(st.lists(st.tuples(names, names, figures, figures, names), min_size=1, max_size=8))
def test_a_table_fits_the_screen_and_keeps_every_figure(
    rows: list[tuple[str, str, str, str, str]],
) -> None:
    """However long the words are, they give way and the figures stay."""
    lines = table(("name", "word", "a", "b", "rest"), rows, frozenset({2, 3}))
    assert all(len(line) <= WIDTH for line in lines)
    for line, row in zip(lines[1:], rows, strict=True):
        assert row[2] in line
        assert row[3] in line


def test_names_that_are_cut_still_differ() -> None:
    """The end of a name tells pump 1 from pump 2, so the middle goes."""
    long = "the_collection_tank_of_the_treatment_works"
    rows = [[f"{long}_pump_{number}", "running, as far as can be told from here"]
            for number in (1, 2)]  # fmt: skip
    first, second = table(("machine", "state"), rows)[1:]
    assert "…" in first
    assert first.partition("  ")[0].endswith("pump_1")
    assert second.partition("  ")[0].endswith("pump_2")


def test_text_that_fits_is_not_cut() -> None:
    """And what does not is marked."""
    assert cut("x" * WIDTH) == "x" * WIDTH
    assert cut("x" * (WIDTH + 1)) == "x" * (WIDTH - 1) + "…"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"), (59.4, "59 s"), (59.6, "1 min 0 s"), (3599, "59 min 59 s"), (3600, "1 h 0 min"),
        (86_399, "23 h 59 min"), (90_000, "1 d 1 h"), (40 * 365 * 86_400, "14600 d 0 h"),
    ],
)  # fmt: skip
def test_a_duration_has_the_two_units_that_say_something(seconds: float, text: str) -> None:
    """Never 60 s nor 24 h."""
    assert duration(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(None, "-"), (0, "0.000"), (3.6, "0.001"), (3_599_999, "1000.000"), (3_600_000, "1000.0"),
     (3.6e9, "1000000.0")],
)  # fmt: skip
def test_run_hours_are_told_to_a_few_seconds(seconds: float | None, text: str) -> None:
    """Three decimals are 3.6 s; a long total needs fewer."""
    assert hours(seconds) == text


def test_a_time_is_told_in_the_plant_s_zone() -> None:
    """Summer time included: London is an hour ahead of UTC in July, not in March."""
    assert local_time(NOON_US, ZONE) == "2026-03-01 12:00:00"
    july_us = NOON_US + 122 * 86_400_000_000
    assert local_time(july_us, ZONE) == "2026-07-01 13:00:00"
    assert local_time(july_us, ZONE, july_us) == "13:00:00"
    assert local_time(NOON_US, ZONE, july_us) == "2026-03-01"
    assert local_time(None, ZONE) == "-"


@pytest.mark.parametrize("us", [1 << 62, -(1 << 62), 253_402_300_800_000_000])
def test_an_instant_beyond_the_calendar_brings_nothing_down(us: int) -> None:
    """A clock that has gone mad still leaves a readable table."""
    assert local_time(us, ZONE) == "(no date)"
