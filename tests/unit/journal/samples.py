"""Records to write, and what is read back made comparable with them."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from hypothesis import strategies as st

from collector.core.records import Quality, Record, RecordKind
from collector.journal import Journal, JournalReader

START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
WALL_OFFSET_US = 1_500


def wall_us() -> int:
    """A wall clock that stands still."""
    return START_US


def ticking() -> Callable[[], int]:
    """A wall clock that moves on by one second each time someone looks."""
    steps = itertools.count()
    return lambda: START_US + 1_000_000 * next(steps)


def contact(number: int, subject: str = "works.pump_1_run", *, padding: str = "") -> Record:
    """Record ``number`` of a contact that changes every second; its value tells its number."""
    at_us = START_US + 1_000_000 * number
    return Record(
        RecordKind.POINT, subject, at_us, at_us + WALL_OFFSET_US, at_us - 900_000,
        value=number, reason=padding,
    )  # fmt: skip


def contacts(first: int, last: int, *, subjects: int = 5, padding: str = "") -> list[Record]:
    """Records ``first`` to ``last`` of several contacts in turn."""
    return [
        contact(number, f"works.contact_{number % subjects}", padding=padding)
        for number in range(first, last + 1)
    ]


def unnumbered(records: Iterable[Record]) -> list[Record]:
    """The records as they were before the journal numbered them."""
    return [replace(record, sequence=0) for record in records]


def write(path: Path, *batches: list[Record], state: str | None = None) -> None:
    """Write batches into a journal and close it."""
    with Journal.open(path, wall_us=wall_us, commit_period_s=0) as journal:
        for batch in batches:
            assert journal.submit(batch, state=state)


def read_all(path: Path) -> list[Record]:
    """Every record of a journal in order."""
    with JournalReader(path) as reader:
        return reader.records_after(0, 1_000_000)


_FLOATS = st.floats(allow_nan=False)
_TEXT = st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=30)
_VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.sampled_from([0, 1, 0.0, 1.0, -0.0]),
    _FLOATS, _TEXT, st.sampled_from(["0", "1", "1.5", "true", ""]),
)  # fmt: skip
_TIMES = st.integers(-(2**60), 2**60)


@st.composite
def any_record(draw: st.DrawFn) -> Record:
    """Any record the collector could think of, in order or not."""
    at_us = draw(_TIMES)
    bounds = st.none() | _FLOATS
    return Record(
        draw(st.sampled_from(RecordKind)),
        draw(st.sampled_from(["works.p1_run", "eq_well.level_band", "ä", ""]) | _TEXT),
        at_us,
        at_us + draw(st.sampled_from([0, 0, 0, 7, -3_600_000_000]) | st.integers(-(2**50), 2**50)),
        at_us - draw(st.integers(-5, 2**40)),
        draw(_VALUES),
        draw(st.sampled_from(Quality)),
        draw(st.sampled_from(["", "link lost", "exception 02"]) | st.text(
            alphabet=st.characters(exclude_categories=["Cs"]), max_size=90)),
        draw(bounds),
        draw(bounds),
    )  # fmt: skip
