"""Memory at ten times the normal rate of change; a month by ``tests/bench/memory_growth.py``.

In some hours the windows of a day and more are not yet full, so not everything stands still; what
is asked here is that nothing is kept of each record.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.core.records import Record
from collector.core.wells import pumping
from tests.bench.memory_growth import Sample, Watching, watch

DAYS = 0.12
MOST_OBJECTS = 1.5  # of each record; a queue that is not emptied keeps several
MOST_BYTES = 220.0  # of each record, which itself has more


def of_each_record(samples: Iterator[Sample]) -> tuple[float, float]:
    """Objects and bytes that are kept of each record of the second half."""
    middle = next(samples)
    tracemalloc.start()
    try:
        end = next(samples)
    finally:
        tracemalloc.stop()
    assert next(samples, None) is None
    records = end.records - middle.records
    assert records > 500
    return (end.objects - middle.objects) / records, 1024 * end.traced_kib / records


def test_nothing_is_kept_of_each_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the warm-up neither objects nor bytes come with records. The cache of operating points
    is bounded at 5 000; here at 40, so that it is full by then."""
    monkeypatch.setattr(pumping, "MOST_SOLVED", 40)
    objects, size = of_each_record(watch(DAYS, 2, tmp_path))
    assert objects < MOST_OBJECTS
    assert size < MOST_BYTES


def test_a_queue_that_is_not_emptied_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same with a list that keeps every record, over a shorter time."""
    take = Watching.take

    def keeping(watching: Watching, records: list[Record]) -> None:
        watching.__dict__.setdefault("kept", []).extend(records)
        take(watching, records)

    monkeypatch.setattr(Watching, "take", keeping)
    objects, size = of_each_record(watch(DAYS / 2, 2, tmp_path))
    assert objects > 2 * MOST_OBJECTS
    assert size > 1.5 * MOST_BYTES
