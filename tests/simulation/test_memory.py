"""Memory at ten times the normal rate of change; a month by ``tests/bench/memory_growth.py``.

In some hours the windows of a day and more are not yet full, so not everything stands still; what
is asked here is that nothing is kept of each record.
"""

from __future__ import annotations

import tempfile
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.core.records import Record
from collector.core.wells import pumping
from tests.bench.memory_growth import Sample, Watching, watch
from tests.faults.faulty_disk import MEMORY

DAYS = 0.1
MOST_OBJECTS = 1.5  # of each record; a queue that is not emptied keeps several
MOST_BYTES = 220.0  # of each record, which itself has more


@pytest.fixture
def directory() -> Iterator[Path]:
    """A directory in memory: each batch is waited for."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        yield Path(name)


def objects_of_each_record(middle: Sample, end: Sample) -> float:
    """How many objects there are more of between two moments, for each record."""
    assert end.records > middle.records + 200
    return (end.objects - middle.objects) / (end.records - middle.records)


def test_nothing_is_kept_of_each_record(directory: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the warm-up neither objects nor bytes come with records. The cache of operating points
    is bounded at 5 000; here at 40, so that it is full by then."""
    monkeypatch.setattr(pumping, "MOST_SOLVED", 40)
    samples = watch(DAYS, 2, directory)
    middle = next(samples)
    tracemalloc.start()  # what is left in the end of all that is made from here on
    try:
        end = next(samples)
    finally:
        tracemalloc.stop()
    assert next(samples, None) is None
    assert objects_of_each_record(middle, end) < MOST_OBJECTS
    assert 1024 * end.traced_kib / (end.records - middle.records) < MOST_BYTES


def test_a_queue_that_is_not_emptied_is_found(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same with a list that keeps every record, over a shorter time."""
    take = Watching.take

    def keeping(watching: Watching, records: list[Record]) -> None:
        watching.__dict__.setdefault("kept", []).extend(records)
        take(watching, records)

    monkeypatch.setattr(Watching, "take", keeping)
    middle, end = watch(DAYS / 2, 2, directory)
    assert objects_of_each_record(middle, end) > 2 * MOST_OBJECTS
