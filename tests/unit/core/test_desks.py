"""The end of a plant day: its head is wanted once, whatever the clock does."""

from __future__ import annotations

from datetime import UTC, datetime

from collector.core.engine import Engine
from collector.core.records import ClockStepped, HeadWanted, Tick
from tests.unit.core.scans_for_tests import a_plant, us

HOUR = 3600
POINTS = {"run": {"table": "coil", "address": 0}}


def at_us(text: str) -> int:
    """Microseconds since 1970 of a UTC date."""
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1e6)


def an_engine(start: str, zone: str = "UTC") -> Engine:
    plant = a_plant({"p": {"points": POINTS}})
    moved = plant.model_copy(update={"plant": plant.plant.model_copy(update={"time_zone": zone})})
    return Engine(moved, at_us(start))


def heads(engine: Engine, *dates: str) -> list[tuple[str, str]]:
    """Days whose heads are wanted, and when, while time passes from date to date."""
    found = []
    for text in dates:
        for told in engine.step(Tick(at_us(text))):
            if isinstance(told, HeadWanted):
                when = datetime.fromtimestamp(told.by_us / 1e6, UTC)
                found.append((told.day, when.strftime("%m-%d %H:%M")))
    return found


def test_a_head_is_wanted_at_the_end_of_each_plant_day() -> None:
    """At midnight of the plant, which is 23:00 UTC in a British summer (IANA: Europe/London)."""
    engine = an_engine("2026-07-01T12:00", "Europe/London")
    assert heads(engine, "2026-07-01T22:59", "2026-07-01T23:00", "2026-07-03T12:00") == [
        ("2026-07-01", "07-01 23:00"), ("2026-07-02", "07-02 23:00"),
    ]  # fmt: skip


def test_a_day_the_clock_is_set_back_into_has_one_head() -> None:
    """The day that ended has its head; what follows of it belongs to the next."""
    engine = an_engine("2026-07-01T23:00")
    assert heads(engine, "2026-07-02T00:10") == [("2026-07-01", "07-02 00:00")]
    engine.step(ClockStepped(at_us("2026-07-02T00:10"), -us(HOUR), -us(HOUR)))
    assert heads(engine, "2026-07-02T00:50", "2026-07-02T02:00") == []
    assert heads(engine, "2026-07-03T02:00") == [("2026-07-02", "07-03 01:00")]


def test_a_clock_set_forward_over_midnight_ends_the_day() -> None:
    """At once."""
    engine = an_engine("2026-07-01T20:00")
    told = engine.step(ClockStepped(at_us("2026-07-01T21:00"), us(5 * HOUR), us(5 * HOUR)))
    assert [each.day for each in told if isinstance(each, HeadWanted)] == ["2026-07-01"]


def test_only_the_record_says_which_heads_were_wanted() -> None:
    """A replay passes midnight; whether the head was told before the end stands in the record."""
    for told in ([], [HeadWanted("2026-07-01", at_us("2026-07-02T00:00"))]):
        engine = an_engine("2026-07-01T12:00")
        saved = engine.save()
        after = an_engine("2026-07-01T12:00")
        after.restore(saved)
        after.replay([], at_us("2026-07-02T00:05"), at_us("2026-07-02T00:06"))
        after.follow(told)
        wanted = [day for day, _ in heads(after, "2026-07-02T00:07")]
        assert wanted == ([] if told else ["2026-07-01"])
