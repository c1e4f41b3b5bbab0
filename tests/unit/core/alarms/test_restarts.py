"""Alarms over restarts: as the record says they stand, whatever was lost on the way to it."""

from __future__ import annotations

from hypothesis import given, settings

from collector.core.alarms.standing import Standing
from collector.core.alarms.wire import alarm_of
from collector.core.records import AlarmMoved, RecordKind
from tests.unit.core.alarms.on_paper import WORLD_RULES, Paper, lines
from tests.unit.core.alarms.one_alarm import rule
from tests.unit.core.worlds import World, watch, worlds


@settings(max_examples=60, deadline=None)
@given(worlds())
def test_an_alarm_stands_as_the_record_says(world: World) -> None:
    """Killed with moves uncommitted, silent panels, old states: no activation twice, none missing.

    What people read is made from the record; the desk must never think otherwise.
    """
    watched = watch(world, rules=WORLD_RULES)
    moves = [alarm_of(one) for one in watched.records if one.kind is RecordKind.ALARM]
    for of in WORLD_RULES.alarms:
        mine = [move for move in moves if move.subject == of.subject]
        on_record = Standing()
        for move in mine:
            on_record.adopt(move, None)
        alarm = watched.pipeline.engine.desks.alarms._alarms[of.subject]
        assert alarm.standing == on_record
        assert numbered(mine, "raised") == list(range(1, on_record.activation + 1))
        ended = numbered(mine, "cleared")
        assert ended == list(range(1, on_record.activation + (not on_record.raised)))


def numbered(moves: list[AlarmMoved], happening: str) -> list[int]:
    return [move.activation for move in moves if move.happening == happening]


def test_a_new_rule_starts_by_what_is_so_already() -> None:
    """Nobody asked for the contact before; the alarm is raised when its delay is over."""
    paper = Paper(rule("sump.high_water", fact="p.high"))
    paper.fact(0, "p.run", True)
    new = rule("pump.runs_long", fact="p.run", on_s=10)
    assert paper.restart(5, rule("sump.high_water", fact="p.high"), new) == []
    assert lines(paper.pass_time(60)) == [(15, "raised", "unacknowledged")]


def test_a_rule_that_goes_ends_what_stood_and_its_count_goes_on() -> None:
    """The number of an activation is never used twice, though the rule was away meanwhile."""
    high, runs = rule(fact="p.high"), rule("pump.runs", fact="p.run")
    paper = Paper(high, runs)
    paper.fact(0, "p.high", True)
    assert lines(paper.restart(10, runs)) == [(10, "rule withdrawn", "normal")]
    assert paper.restart(20, runs) == [], "it is told once"
    (again,) = paper.restart(30, high, runs)
    assert (again.happening, again.activation) == ("raised", 2)


def test_a_normal_alarm_goes_without_a_word() -> None:
    """There is nothing to end."""
    paper = Paper(rule(fact="p.high"), rule("pump.runs", fact="p.run"))
    paper.fact(0, "p.high", False)
    assert paper.restart(10, rule("pump.runs", fact="p.run")) == []


def test_a_rule_of_other_content_takes_over_what_people_did() -> None:
    """Acknowledged stays acknowledged; whether it still stands is judged by the new rule."""
    paper = Paper(rule(fact="p.high"))
    paper.fact(0, "p.high", True)
    paper.act(5, "acknowledge")
    assert paper.restart(10, rule(fact="p.high", off_s=20)) == []
    assert lines(paper.fact(30, "p.high", False)) == []
    assert lines(paper.pass_time(60)) == [(50, "cleared", "normal")]


def test_a_rule_that_no_longer_holds_clears_its_alarm_at_once() -> None:
    """By what is so at the change of rules."""
    paper = Paper(rule(fact="p.high"))
    paper.fact(0, "p.high", True)
    paper.fact(1, "p.run", False)
    paper.act(5, "acknowledge")
    assert lines(paper.restart(10, rule(fact="p.run"))) == [(10, "cleared", "normal")]


def test_covers_outlast_a_restart() -> None:
    """A shelf ends on time, out of service stays, and so does the reason."""
    paper = Paper(rule(fact="p.high"))
    paper.shelve(0, until_s=100)
    paper.act(1, "out_of_service", reason="float taken out")
    paper.restart(50)
    assert lines(paper.pass_time(200)) == [(100, "shelving ended", "out of service")]
    assert lines(paper.act(210, "return_to_service")) == [(210, "returned to service", "normal")]


def test_an_action_is_taken_once_over_a_restart() -> None:
    """The same id again has no effect."""
    paper = Paper(rule(fact="p.high"))
    paper.fact(0, "p.high", True)
    assert paper.act(5, "acknowledge", id="once") != []
    paper.fact(10, "p.high", False)
    paper.fact(20, "p.high", True)
    paper.restart(30)
    assert paper.desk.knows("once")
    assert paper.act(40, "acknowledge", id="once") == []
    assert paper.act(50, "acknowledge", id="another") != []
