"""One activation of an alarm as lists, exports and figures show it.

An **activation** begins when an alarm is raised and ends when it clears; that it is acknowledged or
reset after that does not make it longer. All dates are UTC in microseconds since 1970.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Step:
    """Something that happened to an activation, or that somebody did about it.

    Args:
        utc_us: when.
        state: the alarm's state from then on; empty where none is told.
        happening: what happened, in the words of ``core/alarms/states.py``.
        actor: who did it; empty where nobody did.
        reason: what was said with it; empty where nothing was.
    """

    utc_us: int
    state: str
    happening: str
    actor: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """What somebody wrote about an activation; a later note corrects, and keeps, the earlier one.

    Args:
        utc_us: when.
        actor: who.
        cause, corrective_action, comment: what was written; None where nothing was.
    """

    utc_us: int
    actor: str
    cause: str | None = None
    corrective_action: str | None = None
    comment: str | None = None


@dataclass(frozen=True, slots=True)
class Activation:
    """One activation, as far as a period of time saw it.

    Args:
        subject: ``equipment.rule``.
        activation: its number among those of this alarm since the journal began.
        priority: ``low``, ``medium`` or ``high``, as it was when it was raised.
        title: what people were told.
        began_utc_us: when the alarm was raised.
        began_after_utc_us: since when what raised it may have been so, delays included.
        ended_utc_us: when it cleared; None while it stands.
        acknowledged_utc_us, acknowledged_by: first acknowledgement, None if there was none.
        known_s: how long it is known to have stood within the period asked for.
        unknown_s: how long within the period nobody knew whether it still stood.
        steps: what happened to it, in order, also outside the period.
        cause, corrective_action: the newest that was noted, None where nothing was.
        notes: everything that was noted, in order.
        first_out: whether it was the first of a burst, and others followed.
        follows: the first of the burst it came in, as ``equipment.rule#activation``; else empty.
        chattering: whether it came so often that it counts as chattering.
        covered: whether it was raised while shelved, suppressed or out of service, unseen.
        unknown_spans: from when until when, within the period, nobody knew whether it stood.
    """

    subject: str
    activation: int
    priority: str
    title: str
    began_utc_us: int
    began_after_utc_us: int
    ended_utc_us: int | None
    acknowledged_utc_us: int | None = None
    acknowledged_by: str | None = None
    known_s: float = 0.0
    unknown_s: float = 0.0
    steps: tuple[Step, ...] = ()
    cause: str | None = None
    corrective_action: str | None = None
    notes: tuple[Note, ...] = ()
    first_out: bool = False
    follows: str = ""
    chattering: bool = False
    covered: bool = False
    unknown_spans: tuple[tuple[int, int], ...] = ()

    @property
    def equipment(self) -> str:
        """The equipment, panel or ``collector`` it is about."""
        return self.subject.rpartition(".")[0]

    @property
    def rule(self) -> str:
        """The name of the rule."""
        return self.subject.rpartition(".")[2]

    @property
    def open(self) -> bool:
        """Whether it still stands."""
        return self.ended_utc_us is None

    @property
    def low_s(self) -> float:
        """The least it stood within the period: the known part alone."""
        return self.known_s

    @property
    def high_s(self) -> float:
        """The most it may have stood within the period: with what nobody knew."""
        return self.known_s + self.unknown_s
