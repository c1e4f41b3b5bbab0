"""What the collector tells of itself comes once for each change, with its bracket."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from collector.core.own_points import OWN_POINTS
from collector.core.records import PointChanged, Quality, Record, RecordKind, Value
from collector.outlets.contract import OutletStatus
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


class Scripted:
    """An outlet that has delivered so far, and a journal with a record each minute."""

    def __init__(self, delivered: int, head: int) -> None:
        self._status = OutletStatus("mqtt", "delivering", 0, "", delivered, head, 0, 0, 0)

    def status(self) -> OutletStatus:
        return self._status

    def records_between(self, first: int, last: int, limit: int) -> list[Record]:
        blank = Record(RecordKind.POINT, "works.x", 0, 0, 0)
        wanted = range(first, last + 1)[:limit]
        return [replace(blank, at_us=60 * n * SECOND_US, sequence=n) for n in wanted]


def test_an_outlet_is_behind_by_the_age_of_the_oldest_record_not_confirmed() -> None:
    """Nothing waits, or only what was made just now: it is not behind."""
    at_us = 600 * SECOND_US  # record 10 is made
    for delivered, behind in ((10, 0.0), (9, 0.0), (8, 0.0), (7, 120.0), (0, 540.0)):
        outlet = Scripted(delivered, 10)
        assert behind_s(outlet, outlet, at_us) == behind
