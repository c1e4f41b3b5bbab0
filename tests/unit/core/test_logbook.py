"""The logbook: entries, corrections, late entries."""

from __future__ import annotations

import json

from collector.core.logbook import Entry, Logbook
from collector.core.records import ActionTaken, Value

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
# 2026-07-01T00:00:00Z in microseconds since 1970; plant time runs two hours behind the wall here.
MIDNIGHT_UTC_US = 1_782_864_000_000_000
OFFSET_US = 2 * HOUR_US
NOW_US = MIDNIGHT_UTC_US - OFFSET_US + 3 * DAY_US


def entered(verb: str, entry_id: str, **details: Value) -> ActionTaken:
    return ActionTaken("store", verb, NOW_US, "J. Sallow", {"id": entry_id, **details})


def book(*actions: ActionTaken) -> Logbook:
    logbook = Logbook()
    for action in actions:
        logbook.take(action, OFFSET_US)
    return logbook


def test_an_entry_of_the_past_stands_where_it_was_done_and_is_late() -> None:
    """When it was done is told on the wall clock; more than a day later it is marked late."""
    logbook = book(
        entered("wasting", "b", volume_m3=2.0),
        entered("wasting", "a", volume_m3=1.0, done_at="2026-07-01T02:00:00+02:00"),
    )
    first, second = logbook.of("store")
    assert (first.id, first.done_us, first.late) == ("a", MIDNIGHT_UTC_US - OFFSET_US, True)
    assert (second.id, second.done_us, second.late) == ("b", NOW_US, False)


def test_nothing_is_done_after_it_was_told() -> None:
    """A moment to come, which only a wrong clock can bring here, is taken as now."""
    (entry,) = book(entered("wasting", "a", done_at="2030-01-01T00:00:00Z")).of("store")
    assert entry.done_us == NOW_US


def test_a_correction_changes_details_and_a_void_one_leaves_the_list() -> None:
    """The entries stay; what stands is what the latest correction says."""
    logbook = book(
        entered("wasting", "a", volume_m3=1.0),
        entered("wasting", "b", volume_m3=5.0),
        entered("correction", "c", of_entry="a", corrected=json.dumps({"volume_m3": 1.5})),
        entered("correction", "d", of_entry="b", void=True),
    )
    assert [(entry.id, entry.figure("volume_m3")) for entry in logbook.of("store")] == [("a", 1.5)]
    logbook.take(entered("correction", "e", of_entry="b", corrected='{"volume_m3": 4}'), OFFSET_US)
    assert [entry.id for entry in logbook.of("store")] == ["a", "b"]


def test_the_same_entry_twice_counts_once() -> None:
    """A repeat after a restart brings the same id."""
    logbook = book(entered("wasting", "a", volume_m3=1.0))
    assert logbook.take(entered("wasting", "a", volume_m3=9.0), OFFSET_US) is None
    assert [entry.figure("volume_m3") for entry in logbook.of("store")] == [1.0]


def test_what_was_refused_or_is_about_alarms_changes_nothing() -> None:
    """Only entries of the logbook that have effect are entries."""
    logbook = Logbook()
    assert logbook.take(entered("acknowledge", "a"), OFFSET_US) is None
    assert logbook.take(entered("wasting", "b", refused="too late"), OFFSET_US) is None
    assert logbook.take(entered("correction", "c", of_entry="nothing"), OFFSET_US) is None
    assert logbook.of("store") == []


def test_a_saved_logbook_is_the_same() -> None:
    """A restart loses neither entries nor what became void."""
    logbook = book(
        entered("wasting", "a", volume_m3=1.0),
        entered("wasting", "b", volume_m3=5.0),
        entered("correction", "d", of_entry="b", void=True),
    )
    again = Logbook()
    again.restore(logbook.save())
    assert again.of("store") == logbook.of("store")
    assert again.knows("b")
    assert isinstance(again.of("store")[0], Entry)
