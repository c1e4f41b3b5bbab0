"""The fill of a sludge store from entries: bounds by adding up, which is arithmetic."""

from __future__ import annotations

import pytest

from collector.core.logbook import Entry
from collector.core.process.sludge_store import SludgeFill
from collector.core.records import Derived, Output, Quality
from collector.plant.equipment import SludgeStore

DAY_US = 86_400_000_000
VOLUME_M3 = 30.0


def store() -> SludgeFill:
    return SludgeFill("store", SludgeStore(kind="sludge_store", title="Store", volume_m3=VOLUME_M3))


def entry(verb: str, day: float, **details: float | str) -> Entry:
    at_us = round(day * DAY_US)
    return Entry(f"{verb}{day}", "store", verb, "J. Sallow", at_us, at_us, dict(details))


def figures(found: list[Output]) -> dict[str, Derived]:
    return {each.subject.split(".")[1]: each for each in found if isinstance(each, Derived)}


def test_without_an_entry_nothing_is_claimed() -> None:
    """An empty logbook is no empty store."""
    assert store().entries_stand([], DAY_US) == []
    assert store().report(DAY_US, DAY_US) == []


def test_a_wasting_alone_leaves_the_fill_unknown_between_its_bounds() -> None:
    """2 m3 into a store of 30 m3 of which nothing was known: between 1.8 and 30 m3."""
    fill = figures(store().entries_stand([entry("wasting", 0, volume_m3=2.0)], DAY_US))
    assert fill["sludge_fill"].value is None
    assert fill["sludge_fill"].quality is Quality.BAD
    assert fill["sludge_fill"].low == pytest.approx(1.8)
    assert fill["sludge_fill"].high == VOLUME_M3


def test_a_haul_of_nearly_all_closes_the_bounds() -> None:
    """28 m3 taken away of at most 30 leave between nothing and 30 - 0.9 x 28 = 4.8 m3."""
    fill = figures(store().entries_stand([entry("haul", 0, volume_m3=28.0)], DAY_US))
    assert fill["sludge_fill"].low == 0.0
    assert fill["sludge_fill"].high == pytest.approx(4.8)
    assert fill["sludge_fill"].value == pytest.approx(2.4)
    assert fill["sludge_fill_share"].value == pytest.approx(0.08)


def test_a_reading_sets_the_fill_and_wastings_add_to_it() -> None:
    """10 m3 read within 2 % of 30 m3, then 2 x 2 m3 within 10 %: 13.0 to 15.0 m3."""
    entries = [
        entry("reading", 0, of="fill", value=10.0, unit="m3"),
        entry("wasting", 1, volume_m3=2.0),
        entry("wasting", 2, volume_m3=2.0),
    ]
    fill = figures(store().entries_stand(entries, 3 * DAY_US))["sludge_fill"]
    assert fill.low == pytest.approx(9.4 + 3.6)
    assert fill.high == pytest.approx(10.6 + 4.4)
    assert fill.value == pytest.approx(14.0)


def test_the_room_lasts_by_the_recent_rate_and_shrinks_with_time() -> None:
    """1 m3 a day since ten days, 20 m3 of room: about twenty days; a week later a week less."""
    entries = [entry("reading", 0, of="fill", value=0.6, unit="m3")]
    entries += [entry("wasting", day, volume_m3=1.0) for day in range(1, 11)]
    fill = store()
    told = figures(fill.entries_stand(entries, 10 * DAY_US))["sludge_room_lasts"]
    assert told.low is not None
    assert told.high is not None
    assert told.low < 19.4 * 86_400 < told.high
    assert told.value == pytest.approx(19.4 * 86_400, rel=0.15)
    later = figures(fill.report(17 * DAY_US, 17 * DAY_US))["sludge_room_lasts"]
    assert later.value == pytest.approx(float(told.value or 0) - 7 * 86_400)


def test_a_store_is_never_fuller_than_full() -> None:
    """More than the room in it was entered: it is full, and the room lasts no time."""
    entries = [entry("wasting", day, volume_m3=9.0) for day in range(10)]
    told = figures(store().entries_stand(entries, 10 * DAY_US))
    assert told["sludge_fill"].value == VOLUME_M3
    assert told["sludge_room_lasts"].value == 0.0


def test_a_restored_store_says_the_same() -> None:
    """A restart neither repeats what was told nor forgets it."""
    entries = [entry("reading", 0, of="fill", value=10.0, unit="m3"),
               entry("wasting", 1, volume_m3=2.0), entry("wasting", 2, volume_m3=2.0)]  # fmt: skip
    fill, again = store(), store()
    fill.entries_stand(entries, 3 * DAY_US)
    again.restore(fill.save())
    assert again.report(3 * DAY_US, 3 * DAY_US) == []
    assert again.report(9 * DAY_US, 9 * DAY_US) == fill.report(9 * DAY_US, 9 * DAY_US)
    with pytest.raises(ValueError, match="sludge store"):
        store().restore({})
