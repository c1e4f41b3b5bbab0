"""The desk of all alarms: what it looks at, what people may do, bursts."""

from __future__ import annotations

import pytest

from collector.core.alarms.rule import Priority
from collector.core.records import ActionTaken, AlarmMoved
from tests.unit.core.alarms.on_paper import Paper, lines
from tests.unit.core.alarms.one_alarm import Holds, rule
from tests.unit.core.scans_for_tests import us


class Counted(Holds):
    """Counts how often it is asked."""

    asked = 0

    def holds(self, facts: object, held: object) -> bool | None:
        self.asked += 1
        return super().holds(facts, held)  # type: ignore[arg-type]


def test_only_alarms_whose_facts_moved_are_looked_at() -> None:
    """Evaluation is incremental: a change asks the conditions that name it, and no other."""
    rules = [rule(f"pump.alarm_{number}", fact="p.run") for number in range(20)]
    paper = Paper(rule(fact="p.high"), *rules)
    others = [Counted("p.run") for _ in rules]
    for of, counted in zip(rules, others, strict=True):
        object.__setattr__(of, "condition", counted)
    assert len(paper.fact(1, "p.high", True)) == 1
    assert [counted.asked for counted in others] == [0] * 20
    paper.fact(2, "p.run", True)
    assert [counted.asked for counted in others] == [1] * 20


def test_a_change_that_changes_nothing_is_not_looked_at() -> None:
    """The same value told again."""
    of = rule(fact="p.high")
    counted = Counted("p.high")
    object.__setattr__(of, "condition", counted)
    paper = Paper(of)
    paper.fact(1, "p.high", False)
    before = counted.asked
    paper.fact(2, "p.high", False)
    assert counted.asked == before


# --- what people do -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("about", "verb", "said"),
    [
        ("sump.high_watr", "acknowledge",
         "there is no alarm 'sump.high_watr'; did you mean 'sump.high_water'?"),
        ("sump", "note", "there is no alarm 'sump'"),
        ("sump.high_water", "acknowledge", "it is normal: there is nothing to acknowledge"),
        ("sump.high_water", "reset",
         "it is normal: only a latched alarm that has cleared can be reset"),
        ("sump.high_water", "unshelve", "it is not shelved"),
        ("sump.high_water", "return_to_service", "it is in service"),
        ("pmp", "haul", "there is no equipment 'pmp'; did you mean 'pump'?"),
    ],
)  # fmt: skip
def test_what_has_no_effect_is_refused_with_a_reason(about: str, verb: str, said: str) -> None:
    """One sentence, with the nearest name where the name is wrong; the desk does not move."""
    paper = Paper(rule(fact="p.high"))
    paper.fact(0, "p.high", False)
    refused = paper.desk.refusal(ActionTaken(about, verb, us(1_000_001), "warden", {}))
    assert refused == said
    assert paper.act(1, verb, about) == []


def test_an_action_refused_in_the_record_has_no_effect() -> None:
    """Whoever put it on record had a reason; a replay must not take it up."""
    paper = Paper(rule(fact="p.high"))
    paper.fact(0, "p.high", True)
    assert paper.act(1, "acknowledge", refused="the journal says so") == []
    assert paper.told[-1].state == "unacknowledged"


def test_who_did_what_and_why_stands_in_the_move() -> None:
    """The actor, the reason and the end of the shelving."""
    paper = Paper(rule(fact="p.high"))
    (move,) = paper.shelve(1, until_s=100, reason="pump pit is cleaned")
    assert move.details["actor"] == "warden"
    assert move.details["reason"] == "pump pit is cleaned"
    assert str(move.details["until"]).startswith("1970-01-12T13:48:20")  # 1 000 100 s


def test_a_note_changes_nothing() -> None:
    """Its record is all there is of it."""
    paper = Paper(rule(fact="p.high"))
    paper.fact(0, "p.high", True)
    assert paper.act(5, "note", cause="a blocked pump") == []


def test_a_note_is_about_an_activation_there_was() -> None:
    """Also one of a rule that is gone: its cause may be found out later."""

    def refused(paper: Paper, about: str, number: int) -> str | None:
        action = ActionTaken(about, "note", us(1_000_100), "warden", {"activation": number})
        return paper.desk.refusal(action)

    paper = Paper(rule(fact="p.high"))
    paper.fact(0, "p.high", True)
    assert refused(paper, "sump.high_water", 1) is None
    assert refused(paper, "sump.high_water", 2) == "it has had 1 activations, not 2"
    paper.restart(10, rule("pump.runs", fact="p.run"))
    assert refused(paper, "sump.high_water", 1) is None
    assert paper.act(20, "note", activation=1, cause="a blocked pump") == []


def test_what_raised_says_priority_and_title() -> None:
    """So that the record can be read without the rules of then."""
    paper = Paper(rule(fact="p.high", priority=Priority.MEDIUM))
    (move,) = paper.fact(0, "p.high", True)
    assert (move.details["priority"], move.details["title"]) == ("medium", "Sump: high water")


# --- bursts -------------------------------------------------------------------------------------


def followers(moves: list[AlarmMoved]) -> dict[str, object]:
    return {move.subject: move.details.get("follows") for move in moves
            if move.happening == "raised"}  # fmt: skip


def test_what_comes_within_a_minute_follows_the_first() -> None:
    """And again within a minute of that; what comes later begins a burst of its own."""
    paper = Paper(
        rule("a.one", fact="p.high"), rule("b.two", fact="p.run"),
        rule("c.three", fact="p.fault"), rule("d.four", fact="q.run"),
    )  # fmt: skip
    paper.fact(0, "p.high", True)
    paper.fact(50, "p.run", True)
    paper.fact(110, "p.fault", True)
    paper.fact(171, "q.run", True)
    assert followers(paper.told) == {
        "a.one": None, "b.two": "a.one#1", "c.three": "a.one#1", "d.four": None,
    }  # fmt: skip


def test_of_several_at_once_the_highest_priority_is_the_first() -> None:
    """One contact, three alarms."""
    paper = Paper(
        rule("a.low", fact="p.run", priority=Priority.LOW),
        rule("b.high", fact="p.run", priority=Priority.HIGH),
        rule("c.medium", fact="p.run", priority=Priority.MEDIUM),
    )
    paper.fact(0, "p.run", True)
    assert followers(paper.told) == {"a.low": "b.high#1", "b.high": None, "c.medium": "b.high#1"}


def test_of_several_at_one_deadline_the_earliest_bracket_is_the_first() -> None:
    """What has been so for longest led, whatever its priority and delay."""
    paper = Paper(
        rule("a.late", fact="p.run", on_s=5, priority=Priority.HIGH),
        rule("b.early", fact="p.fault", on_s=15, priority=Priority.LOW),
    )
    paper.fact(0, "p.fault", True)
    paper.fact(10, "p.run", True)
    paper.pass_time(15)
    assert followers(paper.told) == {"b.early": None, "a.late": "b.early#1"}


def test_what_is_covered_neither_leads_nor_follows() -> None:
    """Nobody is shown it."""
    paper = Paper(rule("a.one", fact="p.high"), rule("b.two", fact="p.run"))
    paper.act(0, "out_of_service", "a.one", reason="float taken out")
    paper.fact(10, "p.high", True)
    paper.fact(20, "p.run", True)
    assert followers(paper.told) == {"a.one": None, "b.two": None}


# --- time ---------------------------------------------------------------------------------------


def test_deadlines_of_many_alarms_come_in_order() -> None:
    """Each at its own instant, the earliest first."""
    rules = [rule(f"pump.after_{n}", fact="p.run", on_s=n) for n in (9, 3, 6)]
    paper = Paper(*rules)
    paper.fact(0, "p.run", True)
    assert [when for when, _, _ in lines(paper.pass_time(60))] == [3, 6, 9]
    assert paper.desk.deadline_us() is None
