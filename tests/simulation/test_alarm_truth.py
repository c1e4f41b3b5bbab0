"""Begin and end of alarms against the instants at which the simulator put a fault in and took it
out: within one scan and the delays of the rule, and inside the bracket that is told."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from collector.core.alarms.rule import AlarmRule
from collector.core.alarms.wire import alarm_of
from collector.core.records import AlarmMoved, RecordKind
from collector.core.service.rule import ServiceRule
from collector.rulebook.load import parse_rules
from tests.simulation.alarm_runs import PLANT
from tests.simulation.diagnosis_runs import HOUR_US, START_US, Put, watch

SCAN_US = 1_000_000
ROUND_TRIP_US = 10_000
RULES = """
alarms:
  tripped:
    for: {each: pump}
    title: tripped
    when: "this.fault"
    on_delay: 7 s
    off_delay: 13 s
    priority: medium
    causes: [it is tried]
    consequence: none
    response: none
    respond_within: 1 h
  told:
    for: {each: pump}
    title: told
    when: "this.in_fault"
    priority: medium
    causes: [it is tried]
    consequence: none
    response: none
    respond_within: 1 h
  out:
    for: {each: mains}
    title: out
    when: "!this.present"
    on_delay: 2 s
    off_delay: 4 s
    priority: high
    causes: [it is tried]
    consequence: none
    response: none
    respond_within: 1 h
  silent:
    for: {each: panel}
    title: silent
    when: "this.link_state == 'lost'"
    priority: medium
    causes: [it is tried]
    consequence: none
    response: none
    respond_within: 1 h
"""


@dataclass(frozen=True)
class Own:
    """Rules of this test."""

    alarms: tuple[AlarmRule, ...]
    service: tuple[ServiceRule, ...] = ()


def moves_of(put: Put, subject: str, seed: int, *others: Put) -> list[AlarmMoved]:
    """What was told of one alarm in a run of some hours with a fault in it."""
    own = Own(parse_rules([("own.yaml", RULES)], PLANT).alarms)
    seen = watch(seed, 0.3, [put, *others], kinds=frozenset({RecordKind.ALARM}), rules=own)
    return [alarm_of(record) for record in seen.records if record.subject == subject]


@pytest.mark.parametrize("seed", [61, 62, 63])
@pytest.mark.parametrize(
    ("fault", "target", "subject", "on_s", "off_s"),
    [
        ("tripped", "collection_pump_1", "collection_pump_1.tripped", 7, 13),
        ("tripped", "meadow_pump_2", "meadow_pump_2.tripped", 7, 13),
        ("mains_failed", "works", "works_mains.out", 2, 4),
    ],
)
def test_begin_and_end_are_within_a_scan_and_the_delays(
    fault: str, target: str, subject: str, on_s: int, off_s: int, seed: int
) -> None:
    """Not before the fault and its delay, not later than a scan after; the bracket holds the
    instant itself."""
    begin_h, end_h = 1.0 + seed / 1000.0, 1.1 + seed / 777.0  # a panel's battery lasts longer
    begin_us, end_us = (START_US + round(hour * HOUR_US) for hour in (begin_h, end_h))
    raised, cleared = moves_of(Put(fault, target, begin_h, end_h), subject, seed)
    assert (raised.happening, cleared.happening) == ("raised", "cleared")
    late_us = raised.by_us - on_s * 1_000_000 - begin_us
    assert 0 <= late_us <= SCAN_US + ROUND_TRIP_US
    assert raised.after_us <= begin_us
    late_us = cleared.by_us - off_s * 1_000_000 - end_us
    assert 0 <= late_us <= SCAN_US + ROUND_TRIP_US
    assert cleared.after_us <= end_us


def test_a_dead_link_is_told_at_its_silence_and_ended_by_the_first_answer() -> None:
    """The panel counts as lost three scans after its last answer."""
    raised, cleared = moves_of(Put("link_dead", "meadow", 1.0, 2.0), "meadow.silent", 64)
    silence_us = round(PLANT.panels["meadow"].silence_s * 1e6)
    late_us = raised.by_us - (START_US + HOUR_US)
    assert silence_us - SCAN_US <= late_us <= silence_us + 2 * SCAN_US
    assert 0 <= cleared.by_us - (START_US + 2 * HOUR_US) <= SCAN_US + ROUND_TRIP_US


@pytest.mark.parametrize("seed", [65, 66, 67])
def test_an_alarm_that_rests_on_a_finding_has_the_whole_bracket_of_the_contact(seed: int) -> None:
    """A finding says since when it holds as its middle; the alarm's bracket holds the instant, to
    whichever side of the middle it fell."""
    begin_h, end_h = 1.0 + seed / 1003.0, 1.1 + seed / 771.0
    put = Put("tripped", "collection_pump_1", begin_h, end_h)
    raised, cleared = moves_of(put, "collection_pump_1.told", seed)
    assert raised.after_us <= START_US + round(begin_h * HOUR_US) <= raised.by_us
    assert cleared.after_us <= START_US + round(end_h * HOUR_US) <= cleared.by_us
    assert cleared.by_us - cleared.after_us <= SCAN_US + ROUND_TRIP_US


def test_what_ends_while_the_panel_is_silent_may_have_ended_at_any_time_of_it() -> None:
    """The bracket of the end begins with the last answer before the silence."""
    put = Put("tripped", "collection_pump_1", 1.0, 1.5)
    moves = moves_of(put, "collection_pump_1.told", 68, Put("link_dead", "works", 1.4, 1.7))
    cleared = moves[-1]
    assert cleared.happening == "cleared"
    assert cleared.after_us <= START_US + round(1.4 * HOUR_US)
    assert cleared.by_us >= START_US + round(1.7 * HOUR_US)
