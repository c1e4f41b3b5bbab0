"""States of an alarm and what moves it from one to another, as data.

Source: IEC 62682 and ANSI/ISA-18.2, the alarm state transition diagram with its latched forms
(quoted from secondary sources). Three states cover the others and are left for the one that holds
underneath; where more than one of them applies, out of service goes before shelved, and shelved
before suppressed by design.
"""

from __future__ import annotations

from enum import Enum


class State(Enum):
    """The standard's states, in its words."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


RAISED, CLEARED = "raised", "cleared"
ACKNOWLEDGED, RESET = "acknowledged", "reset"
SHELVED, UNSHELVED, SHELF_ENDED = "shelved", "unshelved", "shelving ended"
SUPPRESSED, SUPPRESSION_ENDED = "suppressed", "suppression ended"
TAKEN_OUT, PUT_BACK = "taken out of service", "returned to service"
BECAME_UNKNOWN, BECAME_KNOWN = "became unknown", "became known"
WITHDRAWN = "rule withdrawn"

S = State
TRANSITIONS: dict[tuple[State, str], State] = {
    (S.NORMAL, RAISED): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, ACKNOWLEDGED): S.ACKNOWLEDGED,
    (S.UNACKNOWLEDGED, CLEARED): S.RETURNED,
    (S.ACKNOWLEDGED, CLEARED): S.NORMAL,
    (S.RETURNED, ACKNOWLEDGED): S.NORMAL,
    (S.RETURNED, RAISED): S.UNACKNOWLEDGED,
    (S.LATCHED_UNACKNOWLEDGED, ACKNOWLEDGED): S.LATCHED_ACKNOWLEDGED,
    (S.LATCHED_UNACKNOWLEDGED, RESET): S.RETURNED,
    (S.LATCHED_UNACKNOWLEDGED, RAISED): S.UNACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, RESET): S.NORMAL,
    (S.LATCHED_ACKNOWLEDGED, RAISED): S.UNACKNOWLEDGED,
}
"""What moves an alarm that nothing covers; any other happening leaves it where it is."""

LATCHING: dict[tuple[State, str], State] = {
    (S.UNACKNOWLEDGED, CLEARED): S.LATCHED_UNACKNOWLEDGED,
    (S.ACKNOWLEDGED, CLEARED): S.LATCHED_ACKNOWLEDGED,
}
"""Of a rule that latches, these go before ``TRANSITIONS``."""

COVERING: dict[str, State] = {
    SHELVED: S.SHELVED,
    SUPPRESSED: S.SUPPRESSED,
    TAKEN_OUT: S.OUT_OF_SERVICE,
}
"""What covers an alarm, in whatever state it is; when the last cover goes, it is unacknowledged if
it is raised, else normal."""

COVERED = frozenset(COVERING.values())
STANDING = frozenset(
    {S.UNACKNOWLEDGED, S.ACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED}
)
"""States in which an alarm stands and is shown to people as such."""


def next_state(state: State, happening: str, *, latching: bool) -> State | None:
    """The state an uncovered alarm goes to; None where the happening does not apply to it."""
    found = LATCHING.get((state, happening)) if latching else None
    return found or TRANSITIONS.get((state, happening))


def table_text() -> str:
    """The transitions as a table for documents."""
    rows = [(state.value, what, to.value, "") for (state, what), to in TRANSITIONS.items()]
    rows += [(state.value, what, to.value, "latching") for (state, what), to in LATCHING.items()]
    rows += [("any", what, to.value, "covers") for what, to in COVERING.items()]
    head = ("from", "happening", "to", "")
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)
