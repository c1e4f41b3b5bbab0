"""What conditions are told of the plant: values, and that nobody knows."""

from __future__ import annotations

import pytest

from collector.core.alarms.facts import FactBook
from collector.core.records import PanelLost, PanelReturned, PointChanged, Quality, Value
from tests.unit.core.alarms.on_paper import derived, finding, the_plant
from tests.unit.core.scans_for_tests import us

ALL = ("p.high", "q.run", "sump.level", "pump.run_hours", "mixer.run_hours", "pump.no_start",
       "p.link_state", "collector.disk_short", "q.not_answering")  # fmt: skip


def a_book(*, answering: bool = True) -> FactBook:
    book = FactBook(the_plant(), ALL)
    if answering:
        book.hear(PanelReturned("p", us(1)))
        book.hear(PanelReturned("q", us(1)))
    return book


def point(name: str, value: Value, quality: Quality = Quality.GOOD) -> PointChanged:
    return PointChanged(name, value, quality, "", us(1), us(2))


def test_a_bad_value_is_unknown_and_an_uncertain_one_is_used() -> None:
    """Of points and of figures."""
    book = a_book()
    assert book.value_of("p.high") is None
    book.hear(point("p.high", True))
    assert book.value_of("p.high") is True
    book.hear(point("p.high", None, Quality.BAD))
    assert book.value_of("p.high") is None
    book.learn([derived("pump.run_hours", 3600.0, 2, Quality.UNCERTAIN)], us(2))
    assert book.value_of("pump.run_hours") == 3600.0
    book.learn([derived("pump.run_hours", 3600.0, 3, Quality.BAD)], us(3))
    assert book.value_of("pump.run_hours") is None


def test_a_finding_that_was_never_told_does_not_stand() -> None:
    """Once its panel has answered; before that nobody knows."""
    book = a_book(answering=False)
    assert book.value_of("pump.no_start") is None
    book = a_book()
    assert book.value_of("pump.no_start") is False
    book.learn([finding("pump.no_start", True, 5)], us(5))
    assert book.value_of("pump.no_start") is True
    book.learn([finding("pump.no_start", False, 6)], us(6))
    assert book.value_of("pump.no_start") is False


def test_a_lost_panel_hides_what_stands_on_it() -> None:
    """Its points, its equipment's figures and findings, a well by its pump; not the other panel."""
    book = a_book()
    book.hear(point("p.high", True))
    book.hear(point("q.run", True))
    outputs = [derived("sump.level", 1.2, 2), derived("pump.run_hours", 60.0, 2),
               derived("mixer.run_hours", 30.0, 2), derived("p.link_state", "up", 2)]  # fmt: skip
    book.learn(outputs, us(2))
    moved = book.hear(PanelLost("p", "no reply", us(3), us(6)))
    assert {each.fact for each in moved} == {
        "p.high", "sump.level", "pump.run_hours", "pump.no_start",
    }  # fmt: skip
    assert {(each.after_us, each.by_us) for each in moved} == {(us(3), us(6))}
    hidden = {fact for fact in ALL if book.value_of(fact) is None}
    assert hidden == {"p.high", "sump.level", "pump.run_hours", "pump.no_start",
                      "collector.disk_short"}  # fmt: skip
    assert book.value_of("p.link_state") == "up", "the link itself is known just then"
    book.hear(PanelReturned("p", us(9)))
    assert book.value_of("p.high") is True, "as it was before, since nothing else was told"


def test_own_points_are_of_no_panel() -> None:
    """The collector knows of itself whatever is lost."""
    book = a_book(answering=False)
    assert [each.fact for each in book.hear(point("collector.disk_short", True))] == [
        "collector.disk_short"
    ]
    assert book.value_of("collector.disk_short") is True


def test_only_what_is_asked_for_moves_and_the_rest_is_kept() -> None:
    """Other rules may ask for it after a restart."""
    book = a_book()
    assert book.hear(point("p.fault", True)) == []
    after = FactBook(the_plant(), ("p.fault",))
    after.restore(book.save())
    assert after.value_of("p.fault") is True


@pytest.mark.parametrize("lost", ["p", "q"])
def test_what_is_lost_is_lost_after_a_restart(lost: str) -> None:
    """Until it has answered again."""
    book = a_book()
    book.hear(point("p.high", True))
    book.hear(point("q.run", True))
    book.hear(PanelLost(lost, "no reply", us(3), us(6)))
    after = FactBook(the_plant(), ALL)
    after.restore(book.save())
    assert (after.value_of("p.high") is None) is (lost == "p")
    assert (after.value_of("q.run") is None) is (lost == "q")
