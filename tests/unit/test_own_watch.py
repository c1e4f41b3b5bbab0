"""What the collector tells of itself comes once for each change, with its bracket."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from collector.core.own_points import OWN_POINTS
from collector.core.records import PointChanged, Quality, Record, RecordKind, Value
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.own_watch import STEPS_S, OwnWatch, behind_s

SECOND_US = 1_000_000


def told(changes: Sequence[PointChanged]) -> dict[str, Value]:
    return {change.point: change.value for change in changes}


def test_everything_is_told_first_and_then_what_changes() -> None:
    """The bracket of a change reaches back to the look before; at first nothing is known."""
    now: dict[str, Value] = {"disk_short": False, "clock_unsynchronised": None}
    assert now.keys() <= OWN_POINTS.keys()
    watch = OwnWatch({name: lambda _, name=name: now[name] for name in now})  # type: ignore[misc]
    short, clock = watch.changes(5 * SECOND_US)
    assert short == PointChanged(
        "collector.disk_short", False, Quality.GOOD, "", 5 * SECOND_US, 5 * SECOND_US
    )
    assert (clock.value, clock.quality, clock.reason) == (
        None, Quality.BAD, "the system does not tell",
    )  # fmt: skip
    assert watch.changes(6 * SECOND_US) == []
    now["disk_short"] = True
    (change,) = watch.changes(8 * SECOND_US)
    assert (change.value, change.after_us, change.by_us) == (True, 6 * SECOND_US, 8 * SECOND_US)
    assert watch.changes(9 * SECOND_US) == []


def test_a_lag_that_grows_for_two_days_makes_a_record_at_each_step() -> None:
    """What is told is past the step, so that "longer than an hour" is true soon after an hour."""
    watch = OwnWatch({"mqtt_behind": lambda now_us: now_us / SECOND_US})
    found = [
        change.value
        for second in range(2 * 86_400 + 10)
        for change in watch.changes(second * SECOND_US)
    ]
    assert found == [0.0, *(step + 1.0 for step in STEPS_S), 2 * 86_400.0]


def test_an_outlet_is_behind_by_the_age_of_the_oldest_record_not_confirmed(
    tmp_path: Path,
) -> None:
    """Nothing waits, or only what was made just now: it is not behind."""
    blank = Record(RecordKind.POINT, "works.x", 0, 0, 0, True)
    at_us = [60 * number * SECOND_US for number in range(1, 11)]
    path = tmp_path / "journal"
    with Journal.open(path, wall_us=lambda: 0, outlets=["mqtt"]) as journal:
        journal.submit([replace(blank, at_us=at, utc_us=at, after_us=at) for at in at_us])
        with JournalReader(path) as reader:
            for delivered, behind in ((0, 540.0), (7, 120.0), (8, 0.0), (9, 0.0), (10, 0.0)):
                journal.move_cursor("mqtt", delivered)
                assert journal.flush(20)
                assert behind_s("mqtt", reader, at_us[-1]) == behind
