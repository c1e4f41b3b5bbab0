"""How an alarm stands, as people see it: its state, what covers it, its activations.

What its condition says is not part of it. It follows from the moves on record alone, which is how
a restart finds out what was told before the end of an earlier process.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from collector.core.alarms import states
from collector.core.alarms.states import State
from collector.core.records import AlarmMoved

CHATTER_TIMES, CHATTER_WITHIN_US = 3, 60_000_000
"""Three or more in a minute: the screening convention quoted with ISA-18.2."""
NO_REASON = "no reason given"


@dataclass(slots=True)
class Standing:
    """How one alarm stands.

    Args:
        raised: whether its condition has raised it and not cleared it, covered or not.
        activation: counts its activations; 0 before any.
        beneath: its state but for what covers it.
        known: False while it is raised and nobody knows whether its condition still holds.
        out: why it is out of service; empty where it is not.
        suppressed: why it is suppressed by design; empty where it is not.
        shelf_until_us: plant time until which it is shelved; None where it is not.
        shelf_reason: why.
        raises_us: when it was raised lately.
    """

    raised: bool = False
    activation: int = 0
    beneath: State = State.NORMAL
    known: bool = True
    out: str = ""
    suppressed: str = ""
    shelf_until_us: int | None = None
    shelf_reason: str = ""
    raises_us: list[int] = field(default_factory=list)

    @property
    def state(self) -> State:
        """The state people see."""
        if self.out:
            return State.OUT_OF_SERVICE
        if self.shelf_until_us is not None:
            return State.SHELVED
        return State.SUPPRESSED if self.suppressed else self.beneath

    @property
    def covered(self) -> bool:
        """Whether something covers it."""
        return self.state in states.COVERED

    @property
    def chatters(self) -> bool:
        """Whether the latest raise is one too many in a short time."""
        if len(self.raises_us) < CHATTER_TIMES:
            return False
        return self.raises_us[-1] - self.raises_us[-CHATTER_TIMES] <= CHATTER_WITHIN_US

    def count(self, at_us: int) -> None:
        """It is raised."""
        self.raised = self.known = True
        self.raises_us = [*self.raises_us[1 - CHATTER_TIMES :], at_us]

    def adopt(self, move: AlarmMoved, until_us: int | None) -> None:
        """Take over a move that is on record.

        Args:
            until_us: plant time until which it is shelved, of a move that says so.
        """
        what, reason = move.happening, str(move.details.get("reason") or NO_REASON)
        self.activation = move.activation
        if what == states.RAISED:
            self.count(move.by_us)
        elif what == states.CLEARED:
            self.raised, self.known = False, True
        elif what in (states.BECAME_UNKNOWN, states.BECAME_KNOWN):
            self.known = what == states.BECAME_KNOWN
        elif what == states.SHELVED:
            self.shelf_until_us, self.shelf_reason = until_us, reason
        elif what in (states.UNSHELVED, states.SHELF_ENDED):
            self.shelf_until_us = None
        elif what == states.SUPPRESSED:
            self.suppressed = reason
        elif what == states.SUPPRESSION_ENDED:
            self.suppressed = ""
        elif what == states.TAKEN_OUT:
            self.out = reason
        elif what == states.PUT_BACK:
            self.out = ""
        elif what == states.WITHDRAWN:
            self.withdraw()
        if not self.covered:
            self.beneath = State(move.state)

    def withdraw(self) -> None:
        """Its rule is no longer in force: it is normal, and only its count is kept."""
        self.raised, self.known, self.shelf_until_us = False, True, None
        self.out = self.suppressed = ""
        self.beneath = State.NORMAL

    def save(self) -> dict[str, Any]:
        """Its state as plain JSON values."""
        return {**asdict(self), "beneath": self.beneath.value}

    @classmethod
    def restored(cls, saved: dict[str, Any]) -> Standing:
        """From a state of ``save``."""
        return cls(**{**saved, "beneath": State(saved["beneath"])})


def raised_openly(move: AlarmMoved) -> bool:
    """Whether an alarm was raised with nothing to cover it."""
    return move.happening == states.RAISED and move.state == State.UNACKNOWLEDGED.value
