"""The life of one alarm: delays, acknowledgement, latch, and what covers it.

Rules:

* What is unknown neither raises nor clears: a delay that runs is abandoned, and begins again when
  it is known. That a standing alarm became unknown is told, with its state unchanged.
* A cover (shelf, suppression by design, out of service) hides the alarm, not its history: that its
  condition began and ended is told under the cover as well. When the last cover goes, an alarm that
  is raised is unacknowledged, of the same activation.
* An activation begins when the alarm is raised and ends when it clears. An alarm that returns and
  is raised again before anybody acknowledged it is a new activation.
"""

from __future__ import annotations

import hashlib
import json

from collector.core.alarms import states
from collector.core.alarms.rule import AlarmRule, Stands
from collector.core.alarms.shapes import judge_of
from collector.core.alarms.standing import NO_REASON, Standing
from collector.core.alarms.states import State, next_state
from collector.core.conditions.contract import Facts, Held
from collector.core.records import AlarmMoved, Quality, Value


class Alarm:
    """One alarm.

    Args:
        rule: bound to its equipment.
    """

    def __init__(self, rule: AlarmRule) -> None:
        self.rule = rule
        self.standing = Standing()
        self._judge = judge_of(rule.shape)
        self._held: Held = {}
        self._suppress_held: list[Held] = [{} for _ in rule.suppressions]
        self._met: bool | None = None
        self._since: tuple[int, int] | None = None  # bracket in which that came so; None if unknown

    @property
    def subject(self) -> str:
        """``equipment.rule``."""
        return self.rule.subject

    @property
    def plain(self) -> bool:
        """Whether there is nothing to keep of it that a look at the facts does not bring back."""
        held = any(any(each.values()) for each in (self._held, *self._suppress_held))
        idle = self.standing == Standing() and not self._met and not held
        return idle and isinstance(self.rule.shape, Stands)

    def due_us(self) -> int | None:
        """When time alone may move it; None if never."""
        waiting = [self._judge.due_us(), self.standing.shelf_until_us]
        if self._since is not None and self._met is not self._raised:
            delay_us = self.rule.on_delay_us if self._met else self.rule.off_delay_us
            waiting.append(self._since[1] + delay_us)
        return min((at for at in waiting if at is not None), default=None)

    @property
    def _raised(self) -> bool:
        return self.standing.raised

    # --- what comes in --------------------------------------------------------------------------

    def look(self, facts: Facts, after_us: int, by_us: int) -> list[AlarmMoved]:
        """Facts of it may have changed in a bracket."""
        found = self._suppress(facts, by_us)
        holds = self.rule.condition.holds(facts, self._held)
        return found + self._judged(self._judge.take(holds, by_us), after_us, by_us)

    def wake(self, at_us: int) -> list[AlarmMoved]:
        """Time has come to ``at_us``."""
        found: list[AlarmMoved] = []
        shelf_us = self.standing.shelf_until_us
        if shelf_us is not None and at_us >= shelf_us:
            self.standing.shelf_until_us = None
            reason = self.standing.shelf_reason
            found.append(self._uncovered(states.SHELF_ENDED, at_us, reason=reason))
        due_us = self._judge.due_us()
        if due_us is not None and at_us >= due_us:
            return found + self._judged(self._judge.wake(at_us), at_us, at_us)
        return found + self._ripen(at_us)

    def _judged(self, met: bool | None, after_us: int, by_us: int) -> list[AlarmMoved]:
        found: list[AlarmMoved] = []
        if met is not self._met:
            self._met = met
            self._since = None if met is None else (min(after_us, by_us), by_us)
        if self._raised and self.standing.known is (met is None):
            self.standing.known = met is not None
            if met is None:
                found.append(self._move(states.BECAME_UNKNOWN, after_us, by_us))
            elif met or self.rule.off_delay_us:
                found.append(self._move(states.BECAME_KNOWN, by_us, by_us))
        return found + self._ripen(by_us)

    def _ripen(self, now_us: int) -> list[AlarmMoved]:
        """Raise or clear it if the delay is over."""
        if self._since is None or self._met is self._raised:
            return []
        after_us, by_us = self._since
        due_us = by_us + (self.rule.on_delay_us if self._met else self.rule.off_delay_us)
        if now_us < due_us:
            return []
        return [self._raise(after_us, due_us) if self._met else self._clear(after_us, due_us)]

    def _raise(self, after_us: int, by_us: int) -> AlarmMoved:
        self.standing.activation += 1
        self.standing.count(by_us)
        self._step(states.RAISED)
        details: dict[str, Value] = {
            "priority": self.rule.priority.word, "title": self.rule.title,
        }  # fmt: skip
        if self.standing.chatters:
            details["chattering"] = True
        return self._move(states.RAISED, after_us, by_us, **details)

    def _clear(self, after_us: int, by_us: int) -> AlarmMoved:
        self.standing.raised, self.standing.known = False, True
        self._step(states.CLEARED)
        return self._move(states.CLEARED, after_us, by_us)

    def _suppress(self, facts: Facts, at_us: int) -> list[AlarmMoved]:
        """Suppression by design as the facts are; one that is unknown stays as it was."""
        reason, unknown = "", False
        for suppression, held in zip(self.rule.suppressions, self._suppress_held, strict=True):
            holds = suppression.condition.holds(facts, held)
            unknown = unknown or holds is None
            if holds:
                reason = suppression.reason
                break
        if bool(reason) is bool(self.standing.suppressed) or (not reason and unknown):
            return []
        self.standing.suppressed = reason
        if reason:
            return [self._move(states.SUPPRESSED, at_us, at_us, reason=reason)]
        return [self._uncovered(states.SUPPRESSION_ENDED, at_us)]

    # --- what people do -------------------------------------------------------------------------

    def refusal(self, verb: str) -> str | None:
        """Why an action has no effect now; None if it has."""
        state, out = self.standing.state, bool(self.standing.out)
        if verb == "acknowledge":
            if next_state(state, states.ACKNOWLEDGED, latching=self.rule.latching) is None:
                return f"it is {state.value}: there is nothing to acknowledge"
        elif verb == "reset":
            if next_state(state, states.RESET, latching=self.rule.latching) is None:
                return f"it is {state.value}: only a latched alarm that has cleared can be reset"
        elif verb == "shelve" and out:
            return "it is out of service"
        elif verb == "unshelve" and self.standing.shelf_until_us is None:
            return "it is not shelved"
        elif verb == "out_of_service" and out:
            return "it is out of service already"
        elif verb == "return_to_service" and not out:
            return "it is in service"
        return None

    def act(
        self, verb: str, actor: str, at_us: int, until_us: int | None, reason: str
    ) -> list[AlarmMoved]:
        """Do what a person said, which ``refusal`` had nothing against."""
        standing = self.standing
        told: dict[str, Value] = {"actor": actor}
        if reason:
            told["reason"] = reason
        if verb in ("acknowledge", "reset"):
            happening = states.ACKNOWLEDGED if verb == "acknowledge" else states.RESET
            self._step(happening)
            return [self._move(happening, at_us, at_us, **told)]
        if verb == "shelve":
            standing.shelf_until_us, standing.shelf_reason = until_us, reason or NO_REASON
            return [self._move(states.SHELVED, at_us, at_us, **told)]
        if verb == "unshelve":
            standing.shelf_until_us = None
            return [self._uncovered(states.UNSHELVED, at_us, **told)]
        if verb == "out_of_service":
            standing.out = reason or NO_REASON
            return [self._move(states.TAKEN_OUT, at_us, at_us, **told)]
        if verb == "return_to_service":
            standing.out = ""
            return [self._uncovered(states.PUT_BACK, at_us, **told)]
        return []

    def _step(self, happening: str) -> None:
        """Take the step of the state diagram, unless something covers it."""
        if not self.standing.covered:
            beneath = self.standing.beneath
            led = next_state(beneath, happening, latching=self.rule.latching)
            self.standing.beneath = led or beneath

    def _uncovered(self, happening: str, at_us: int, **details: Value) -> AlarmMoved:
        """A cover went; beneath the last one it is as its condition says."""
        if not self.standing.covered:
            self.standing.beneath = State.UNACKNOWLEDGED if self._raised else State.NORMAL
        return self._move(happening, at_us, at_us, **details)

    def _move(self, happening: str, after_us: int, by_us: int, **details: Value) -> AlarmMoved:
        quality = Quality.GOOD if self.standing.known else Quality.BAD
        return AlarmMoved(
            self.subject, self.standing.state.value, happening, min(after_us, by_us), by_us,
            self.standing.activation, quality, details,
        )  # fmt: skip

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> str:
        """Its state as JSON text."""
        return json.dumps(
            [
                self.standing.save(), self._judge.save(), self._held, self._suppress_held,
                self._met, self._since,
            ],
            separators=(",", ":"),
        )  # fmt: skip

    def restore(self, saved: str) -> None:
        """Take back a state from ``save`` of the same rule."""
        standing, judge, self._held, self._suppress_held, self._met, since = json.loads(saved)
        self.standing = Standing.restored(standing)
        self._judge.restore(judge)
        self._since = None if since is None else (since[0], since[1])


def standing_in(saved: str) -> Standing:
    """How an alarm stood that was saved, whatever its rule was."""
    return Standing.restored(json.loads(saved)[0])


def print_of(rule: AlarmRule) -> str:
    """What tells one rule from another of the same name, as far as alarms go by it."""
    # The plain words have the figures of named limits in them, which the text has not.
    conditions = [
        (each.text, each.facts, each.explain())
        for each in (rule.condition, *(one.condition for one in rule.suppressions))
    ]
    text = repr((conditions, rule.shape, rule.on_delay_us, rule.off_delay_us, rule.latching))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
