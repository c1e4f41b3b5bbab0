"""Restarts at every point between a decision and its result, and texts of what may be a repeat.

That an attempt whose result nobody heard may have arrived, and that repeating it may double it, is
the known gap of mail (RFC 1047, "Duplicate Messages and SMTP").
"""

from __future__ import annotations

import pytest

from collector.core.notices.courier import Errand, Outcome
from collector.core.notices.routes import MINUTE_US
from tests.unit.core.notices.world import DAY_US, HOUR_US, ROUTES, World, utc

HIGH = "sump.high"


def decided() -> World:
    """An alarm, and its notice decided but not on record yet."""
    world = World()
    world.raises(HIGH)
    world.pending, _ = world.courier.step(world.now_us)
    return world


def test_nothing_goes_out_before_it_is_on_record() -> None:
    """As long as the journal takes nothing, no attempt is given out."""
    world = decided()
    assert [world.courier.errands() for _ in range(3)] == [[], [], []]
    assert world.courier.step(world.now_us)[0] == []
    world.commit()
    assert len(world.courier.errands()) == 1
    assert world.courier.errands() == []


def test_a_crash_before_the_commit_changes_nothing() -> None:
    """The same notice, under the same id, is decided again and told once."""
    world = decided()
    lost = world.pending[0]
    world.crash()
    world.turn()
    assert world.journal[1].value == lost.value
    assert len(world.arrived) == 1
    assert not world.arrived[0].notice.may_be_repeat


@pytest.mark.parametrize("arrives", [True, False])
def test_a_crash_between_attempt_and_result_repeats_under_the_same_id_and_says_so(
    arrives: bool,
) -> None:
    """Nobody knows whether it arrived, so it comes again, recognisable in both ways."""
    world = decided()
    world.commit()
    (errand,) = world.courier.errands()
    if arrives:
        world.hand_over(errand)
    world.crash()
    world.turn()
    last = world.arrived[-1]
    assert last.notice.id == errand.notice.id
    assert last.notice.may_be_repeat
    assert "This may be a repeat" in last.text.body
    assert len(world.arrived) == (2 if arrives else 1)
    world.pass_us(20 * MINUTE_US)
    assert len(world.told("warden")) == len(world.arrived) - 2  # the engineer got two more


def test_a_crash_before_the_result_is_committed_is_the_same() -> None:
    """The far side said yes, and the yes never reached the disk."""
    world = decided()
    world.commit()
    (errand,) = world.courier.errands()
    world.pending.append(world.courier.done(errand, world.hand_over(errand), world.now_us))
    world.crash()
    world.turn()
    assert [one.notice.may_be_repeat for one in world.arrived] == [False, True]
    assert world.arrived[0].notice.id == world.arrived[1].notice.id


def test_what_ended_while_an_attempt_was_in_doubt_is_told_as_over() -> None:
    """Whoever may have heard that it stands hears that it went, acknowledged or not."""
    for acknowledged in (False, True):
        world = decided()
        world.commit()
        world.courier.errands()
        world.crash()
        if acknowledged:
            world.acknowledged(HIGH)
        world.clears(HIGH)
        world.pass_us(HOUR_US)
        assert world.told() == [("warden.mail", {f"{HIGH}#1": "came and went"})]
        assert world.arrived[0].notice.may_be_repeat


def test_a_far_side_that_answers_nothing_to_the_text_leaves_it_in_doubt() -> None:
    """The next attempt says that it may be a repeat; after a plain refusal it does not."""
    for uncertain in (True, False):
        world = World()
        answers = [Outcome(False, "no answer", uncertain=uncertain)]

        def once(errand: Errand, world: World = world, answers: list[Outcome] = answers) -> Outcome:
            return answers.pop() if answers else World.hand_over(world, errand)

        world.hand_over = once  # type: ignore[method-assign]
        world.raises(HIGH)
        world.pass_us(MINUTE_US)
        (told,) = world.arrived
        assert told.notice.may_be_repeat is uncertain


def test_a_restart_while_all_is_told_tells_nothing() -> None:
    """A hundred restarts beside a standing, acknowledged alarm."""
    world = World()
    world.raises(HIGH)
    world.pass_us(MINUTE_US)
    world.acknowledged(HIGH)
    for _ in range(100):
        world.crash()
        world.pass_us(MINUTE_US)
    assert len(world.arrived) == 1


def test_a_person_who_is_no_longer_in_the_settings_is_given_up() -> None:
    """What waited for a way that is gone does not wait for ever."""
    world = World(away=lambda to: True)
    world.raises(HIGH)
    world.pass_us(20 * MINUTE_US)
    people = {name: one for name, one in world.routes.people.items() if name != "engineer"}
    turns = world.routes.turns[:1]
    world.routes = type(world.routes)(people, turns, "owner")
    world.crash()
    world.pass_us(DAY_US)
    assert world.steps("engineer.phone")[-1] == "given up"


def test_an_alarm_in_between_does_not_make_a_digest_in_doubt_certain() -> None:
    """The digest may have arrived, an alarm goes before its repetition: it says all the same that
    it may be a repeat."""
    world = World(ROUTES, utc("2026-03-02T12:00:00"))
    answers = [Outcome(False, "no answer", uncertain=True)]

    def once(errand: Errand) -> Outcome:
        return answers.pop() if answers else World.hand_over(world, errand)

    world.hand_over = once  # type: ignore[method-assign]
    world.turn()
    world.raises(HIGH)
    world.pass_us(MINUTE_US)
    told = [(one.notice.kind, one.notice.may_be_repeat) for one in world.arrived]
    assert told == [("alarm", False), ("digest", True)]
