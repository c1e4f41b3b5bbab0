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
from collections import deque

from collector.core.alarms import states
from collector.core.alarms.rule import AlarmRule, Stands
from collector.core.alarms.shapes import judge_of
from collector.core.alarms.states import State, next_state
from collector.core.conditions.contract import Facts, Held
from collector.core.records import AlarmMoved, Quality, Value

CHATTER_TIMES, CHATTER_WITHIN_US = 3, 60_000_000
"""Three or more in a minute: the screening convention quoted with ISA-18.2."""


class Alarm:
    """One alarm.

    Args:
        rule: bound to its equipment.
    """

    def __init__(self, rule: AlarmRule) -> None:
        self.rule = rule
        self.raised = False
        self.activation = 0
        self._state = State.NORMAL  # beneath what covers it
        self._judge = judge_of(rule.shape)
        self._held: Held = {}
        self._suppress_held: list[Held] = [{} for _ in rule.suppressions]
        self._met: bool | None = None
        self._since: tuple[int, int] | None = None  # bracket in which it came to be as it is met
        self._known = True
        self._out = ""  # why it is out of service
        self._shelf_until_us: int | None = None
        self._shelf_reason = ""
        self._suppressed = ""  # why
        self._raises_us: deque[int] = deque(maxlen=CHATTER_TIMES)

    @property
    def subject(self) -> str:
        """``equipment.rule``."""
        return self.rule.subject

    @property
    def state(self) -> State:
        """The state people see."""
        if self._out:
            return State.OUT_OF_SERVICE
        if self._shelf_until_us is not None:
            return State.SHELVED
        return State.SUPPRESSED if self._suppressed else self._state

    @property
    def plain(self) -> bool:
        """Whether there is nothing to keep of it that a look at the facts does not bring back."""
        idle = self.state is State.NORMAL and not self.activation and not self._met
        return idle and isinstance(self.rule.shape, Stands) and not any(self._suppress_held)

    def due_us(self) -> int | None:
        """When time alone may move it; None if never."""
        waiting = [self._judge.due_us(), self._shelf_until_us]
        if self._since is not None and self._met is not None and self._met is not self.raised:
            delay_us = self.rule.on_delay_us if self._met else self.rule.off_delay_us
            waiting.append(self._since[1] + delay_us)
        return min((at for at in waiting if at is not None), default=None)

    # --- what comes in --------------------------------------------------------------------------

    def look(self, facts: Facts, after_us: int, by_us: int) -> list[AlarmMoved]:
        """Facts of it may have changed in a bracket."""
        found = self._suppress(facts, by_us)
        holds = self.rule.condition.holds(facts, self._held)
        return found + self._judged(self._judge.take(holds, by_us), after_us, by_us)

    def wake(self, at_us: int) -> list[AlarmMoved]:
        """Time has come to ``at_us``."""
        found: list[AlarmMoved] = []
        if self._shelf_until_us is not None and at_us >= self._shelf_until_us:
            self._shelf_until_us = None
            found.append(self._uncovered(states.SHELF_ENDED, at_us, reason=self._shelf_reason))
        due_us = self._judge.due_us()
        if due_us is not None and at_us >= due_us:
            return found + self._judged(self._judge.wake(at_us), at_us, at_us)
        return found + self._ripen(at_us)

    def _judged(self, met: bool | None, after_us: int, by_us: int) -> list[AlarmMoved]:
        found: list[AlarmMoved] = []
        if met is not self._met:
            self._met = met
            self._since = (min(after_us, by_us), by_us)
            if self.raised and met is None and self._known:
                self._known = False
                found.append(self._move(states.BECAME_UNKNOWN, after_us, by_us))
            elif self.raised and met is not None and not self._known:
                self._known = True
                if met or self.rule.off_delay_us:
                    found.append(self._move(states.BECAME_KNOWN, after_us, by_us))
        return found + self._ripen(by_us)

    def _ripen(self, now_us: int) -> list[AlarmMoved]:
        """Raise or clear it if the delay is over."""
        if self._met is None or self._met is self.raised or self._since is None:
            return []
        after_us, by_us = self._since
        due_us = by_us + (self.rule.on_delay_us if self._met else self.rule.off_delay_us)
        if now_us < due_us:
            return []
        self._known = True
        return [self._raise(after_us, due_us) if self._met else self._clear(after_us, due_us)]

    def _raise(self, after_us: int, by_us: int) -> AlarmMoved:
        self.raised = True
        self.activation += 1
        covered = self.state in states.COVERED
        if not covered:
            self._state = self._next(states.RAISED)
        self._raises_us.append(by_us)
        details: dict[str, Value] = {
            "priority": self.rule.priority.word, "title": self.rule.title,
        }  # fmt: skip
        if (
            len(self._raises_us) == CHATTER_TIMES
            and by_us - self._raises_us[0] <= CHATTER_WITHIN_US
        ):
            details["chattering"] = True
        return self._move(states.RAISED, after_us, by_us, **details)

    def _clear(self, after_us: int, by_us: int) -> AlarmMoved:
        self.raised = False
        if self.state not in states.COVERED:
            self._state = self._next(states.CLEARED)
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
        if bool(reason) is bool(self._suppressed) or (not reason and unknown):
            return []
        if reason:
            before, self._suppressed = self.state, reason
            return [] if before is self.state else [
                self._move(states.SUPPRESSED, at_us, at_us, reason=reason)
            ]  # fmt: skip
        self._suppressed = ""
        return [self._uncovered(states.SUPPRESSION_ENDED, at_us)]

    # --- what people do -------------------------------------------------------------------------

    def refusal(self, verb: str) -> str | None:
        """Why an action has no effect now; None if it has."""
        state = self.state
        if verb == "note":
            return None
        if verb == "acknowledge":
            if next_state(state, states.ACKNOWLEDGED, latching=self.rule.latching) is None:
                return f"it is {state.value}: there is nothing to acknowledge"
        elif verb == "reset":
            if next_state(state, states.RESET, latching=self.rule.latching) is None:
                return f"it is {state.value}: only a latched alarm that has cleared can be reset"
        elif verb == "shelve":
            if self._out:
                return "it is out of service"
        elif verb == "unshelve":
            if self._shelf_until_us is None:
                return "it is not shelved"
        elif verb == "out_of_service":
            if self._out:
                return "it is out of service already"
        elif verb == "return_to_service" and not self._out:
            return "it is in service"
        return None

    def act(
        self, verb: str, actor: str, at_us: int, until_us: int | None, reason: str
    ) -> list[AlarmMoved]:
        """Do what a person said, which ``refusal`` had nothing against."""
        told: dict[str, Value] = {"actor": actor}
        if reason:
            told["reason"] = reason
        if verb in ("acknowledge", "reset"):
            happening = states.ACKNOWLEDGED if verb == "acknowledge" else states.RESET
            self._state = self._next(happening)
            return [self._move(happening, at_us, at_us, **told)]
        if verb == "shelve":
            self._shelf_until_us, self._shelf_reason = until_us, reason
            return [self._move(states.SHELVED, at_us, at_us, **told)]
        if verb == "unshelve":
            self._shelf_until_us = None
            return [self._uncovered(states.UNSHELVED, at_us, **told)]
        if verb == "out_of_service":
            self._out = reason or "no reason given"
            return [self._move(states.TAKEN_OUT, at_us, at_us, **told)]
        if verb == "return_to_service":
            self._out = ""
            return [self._uncovered(states.PUT_BACK, at_us, **told)]
        return []

    def withdraw(self, at_us: int) -> list[AlarmMoved]:
        """Its rule is no longer in force; told if anything of it stood."""
        if self.state is State.NORMAL:
            return []
        self.raised, self._out, self._suppressed, self._shelf_until_us = False, "", "", None
        self._state = State.NORMAL
        return [self._move(states.WITHDRAWN, at_us, at_us)]

    def _uncovered(self, happening: str, at_us: int, **details: Value) -> AlarmMoved:
        """A cover went; beneath the last one it is as its condition says."""
        if self.state not in states.COVERED:
            self._state = State.UNACKNOWLEDGED if self.raised else State.NORMAL
        return self._move(happening, at_us, at_us, **details)

    def _next(self, happening: str) -> State:
        return next_state(self._state, happening, latching=self.rule.latching) or self._state

    def _move(self, happening: str, after_us: int, by_us: int, **details: Value) -> AlarmMoved:
        quality = Quality.GOOD if self._known else Quality.BAD
        return AlarmMoved(
            self.subject, self.state.value, happening, min(after_us, by_us), by_us,
            self.activation, quality, details,
        )  # fmt: skip

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> str:
        """Its state as JSON text."""
        return json.dumps(
            [
                self.raised, self.activation, self._state.value, self._judge.save(), self._held,
                self._suppress_held, self._met, self._since, self._known, self._out,
                self._shelf_until_us, self._shelf_reason, self._suppressed, list(self._raises_us),
                self._print(),
            ],
            separators=(",", ":"),
        )  # fmt: skip

    def restore(self, saved: str) -> bool:
        """Take back a state from ``save``; says whether it was of the same rule.

        Of another rule of the same name it takes over what people see and did, and looks at its
        condition anew.
        """
        (
            self.raised, self.activation, state, judge, held, suppress_held, met, since,
            self._known, self._out, self._shelf_until_us, self._shelf_reason, self._suppressed,
            raises_us, printed,
        ) = json.loads(saved)  # fmt: skip
        self._state = State(state)
        self._raises_us = deque(raises_us, maxlen=CHATTER_TIMES)
        if printed != self._print():
            return False
        self._judge.restore(judge)
        self._held, self._suppress_held, self._met = held, suppress_held, met
        self._since = None if since is None else (since[0], since[1])
        return True

    def _print(self) -> str:
        """What makes one rule another one."""
        rule = self.rule
        suppressions = [each.condition.text for each in rule.suppressions]
        text = repr(
            (rule.condition.text, rule.condition.facts, rule.shape, rule.on_delay_us,
             rule.off_delay_us, rule.latching, suppressions)
        )  # fmt: skip
        return hashlib.sha256(text.encode()).hexdigest()[:16]
