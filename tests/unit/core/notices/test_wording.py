"""What a notice says.

The length of a short message, 160 characters, is that of 3GPP TS 23.038 (from memory). All content
is invented.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from collector.core.alarms import states
from collector.core.notices.routes import MINUTE_US
from collector.core.records import Quality, Record, RecordKind
from tests.unit.core.notices.world import HOUR_US, ROUTES, World, utc

HIGH = "sump.high"


def test_the_first_line_says_plant_priority_what_and_since_when() -> None:
    """In local time, with the date where it is not of today."""
    world = World(now_us=utc("2026-07-01T12:34:00"))
    world.raises(HIGH)
    world.turn()
    text = world.arrived[0].text
    assert text.subject == "Osier Bend: HIGH sump: high since 13:34"
    assert text.whole.startswith(text.subject + "\n\n")
    late = World(now_us=utc("2026-03-02T23:50:00"))
    late.raises(HIGH)
    late.pass_us(30 * MINUTE_US)
    subjects = [one.text.subject for one in late.arrived if one.notice.to == "warden.mail"]
    assert subjects[-1] == "Osier Bend: STILL HIGH sump: high since 2026-03-02 23:50"


def test_the_body_says_what_to_do() -> None:
    """What was seen, the figure, causes, consequence, response, how soon, and how to
    acknowledge; link state and caution at the end."""
    world = World()
    figure = Record(RecordKind.DERIVED, "sump.level", world.now_us, world.now_us, world.now_us, 1.2)
    world.numbers[HIGH] = 0
    world.crash()
    world.write(figure)
    world.record(RecordKind.PANEL_LOST, "works", None, Quality.BAD)
    world.raises(HIGH)
    world.turn()
    body = world.arrived[0].text.body
    for said in (
        "Figures: sump.level 1.2 m", "Likely causes: rain", "Consequence: it overflows",
        "Do: look", "Within: 60 min", "weirkeeper alarms acknowledge sump.high --by NAME",
        "works does not answer since 12:00: what it watches is not known.",
        "is no safety system",
    ):  # fmt: skip
        assert said in body, said


@pytest.mark.parametrize("count", [1, 11, 200])
def test_no_first_line_is_longer_than_a_short_message_takes(count: int) -> None:
    """However long titles are and however many alarms there are; no body runs away either."""
    world = World()
    for number in range(count):
        world.raises(f"sump.{'very_' * 20}long_{number}")
    world.turn()
    text = world.arrived[0].text
    assert len(text.subject) <= 120
    assert "Osier Bend" in text.whole[:160]
    assert len(text.body.splitlines()) < 100


def test_the_digest_lists_service_and_standing_alarms() -> None:
    """Acknowledged ones and those set aside as well, said so."""
    world = World(ROUTES, utc("2026-03-02T06:00:00"))
    world.turn()
    world.service("pump_1.grease", "overdue", "2026-01-05")
    world.service("pump_1.inspect", "not due", "2026-01-05")
    world.raises(HIGH)
    world.acknowledged(HIGH)
    world.pass_us(2 * HOUR_US)
    text = world.arrived[-1].text
    assert text.subject == ("Osier Bend: digest of 2026-03-02: 1 of service due, 1 alarms stand")
    assert "pump_1.grease: overdue since 2026-01-05; 500 of 500 h" in text.body
    assert "pump_1.inspect" not in text.body
    assert "(acknowledged by warden)" in text.body
    assert "Every panel answers." in text.body


def test_a_rule_that_is_gone_is_said_so() -> None:
    """Of an alarm without a rule only what is on record is told."""
    world = World()
    world.raises(HIGH)
    world.courier._words = replace(world.courier._words, rules={})
    world.turn()
    assert "Its rule is not in force now." in world.arrived[0].text.body


def test_a_latched_alarm_that_cleared_says_that_it_has_to_be_reset() -> None:
    """Its end is told, and what is left to do."""
    world = World()
    world.raises(HIGH)
    world.pass_us(MINUTE_US)
    world.move(HIGH, states.CLEARED, states.State.LATCHED_UNACKNOWLEDGED)
    world.turn()
    assert world.arrived[-1].text.subject.startswith("Osier Bend: ENDED at 12:01")
    assert "it latches: weirkeeper alarms reset" in world.arrived[-1].text.body
