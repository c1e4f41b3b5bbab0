"""An activation while its records are read, and what a period of time makes of it.

Times here are plant time, so that a stepped wall clock makes no alarm longer or shorter.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.core.alarms import states
from collector.reports.alarm_rows import Activation, Note, Step
from collector.reports.audited import Told
from collector.reports.eras import Eras

COVERED = frozenset(state.value for state in states.COVERED)
ENDING = (states.CLEARED, states.WITHDRAWN)


@dataclass(slots=True)
class Draft:
    """An activation while its records are read; times are plant time."""

    subject: str
    number: int
    priority: str
    title: str
    began_us: int
    after_us: int
    began_utc_us: int
    follows: str
    covered: bool
    first_out: bool = False
    ended_us: int | None = None
    ended_utc_us: int | None = None
    acknowledged_utc_us: int | None = None
    acknowledged_by: str | None = None
    chattering: bool = False
    steps: list[Step] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    unknown: list[tuple[int, int]] = field(default_factory=list)
    unknown_since_us: int | None = None


@dataclass(frozen=True, slots=True)
class Period:
    """The asked period in plant time, and what it makes of an activation."""

    eras: Eras
    from_us: int
    to_us: int
    known_us: int

    def saw(self, draft: Draft) -> bool:
        """Whether any of the activation lies in the period."""
        if draft.began_us >= self.to_us:
            return False
        return draft.began_us >= self.from_us or self._end_us(draft) > self.from_us

    def activation(self, draft: Draft) -> Activation:
        """The activation with its lengths clipped to the period."""
        begin_us = max(draft.began_us, self.from_us)
        end_us = max(begin_us, min(self._end_us(draft), self.to_us))
        spans = self._unknown(draft, begin_us, end_us)
        unknown_us = sum(until_us - since_us for since_us, until_us in spans)
        newest: dict[str, str | None] = {}
        for note in draft.notes:
            newest["cause"] = note.cause or newest.get("cause")
            newest["action"] = note.corrective_action or newest.get("action")
        wall_us = self.eras.wall_us
        return Activation(
            subject=draft.subject, activation=draft.number, priority=draft.priority,
            title=draft.title, began_utc_us=draft.began_utc_us,
            began_after_utc_us=draft.began_utc_us - (draft.began_us - draft.after_us),
            ended_utc_us=draft.ended_utc_us, acknowledged_utc_us=draft.acknowledged_utc_us,
            acknowledged_by=draft.acknowledged_by,
            known_s=(end_us - begin_us - unknown_us) / 1e6, unknown_s=unknown_us / 1e6,
            steps=tuple(draft.steps), cause=newest.get("cause"),
            corrective_action=newest.get("action"), notes=tuple(draft.notes),
            first_out=draft.first_out, follows=draft.follows, chattering=draft.chattering,
            covered=draft.covered,
            unknown_spans=tuple((wall_us(since), wall_us(until)) for since, until in spans),
        )  # fmt: skip

    def _end_us(self, draft: Draft) -> int:
        return self.to_us if draft.ended_us is None else draft.ended_us

    def _unknown(self, draft: Draft, begin_us: int, end_us: int) -> list[tuple[int, int]]:
        """Spans in which nobody knew, clipped; after the collector's last sign nobody knows."""
        spans = list(draft.unknown)
        if draft.unknown_since_us is not None:
            spans.append((draft.unknown_since_us, end_us))
        if draft.ended_us is None:
            spans.append((self.known_us, end_us))
        found: list[tuple[int, int]] = []
        reached_us = begin_us
        for since_us, until_us in spans:
            since_us, until_us = max(since_us, reached_us), min(until_us, end_us)
            if since_us < until_us:
                found.append((since_us, until_us))
                reached_us = until_us
        return found


def drafted(told: Told) -> Draft:
    """The activation that a move of an alarm begins."""
    details = told.details
    return Draft(
        told.subject, details["activation"], details.get("priority", ""), details.get("title", ""),
        told.at_us, told.after_us, told.utc_us, details.get("follows", ""),
        details["state"] in COVERED,
    )  # fmt: skip


def follow(draft: Draft, told: Told) -> None:
    """Take over what a move says of an activation."""
    details, happening = told.details, told.details["happening"]
    actor, reason = details.get("actor", ""), details.get("reason", "")
    draft.steps.append(Step(told.utc_us, details["state"], happening, actor, reason))
    if happening == states.BECAME_UNKNOWN:
        if draft.unknown_since_us is None:
            draft.unknown_since_us = told.after_us
        return
    ends = happening in ENDING
    if draft.unknown_since_us is not None and (ends or happening == states.BECAME_KNOWN):
        draft.unknown.append((draft.unknown_since_us, told.at_us))
        draft.unknown_since_us = None
    if ends and draft.ended_us is None:
        draft.ended_us, draft.ended_utc_us = told.at_us, told.utc_us
    elif happening == states.ACKNOWLEDGED and draft.acknowledged_utc_us is None:
        draft.acknowledged_utc_us, draft.acknowledged_by = told.utc_us, actor


def noted(told: Told) -> Note:
    """The note that an action is."""
    details = told.details
    return Note(
        told.utc_us, details["actor"], details.get("cause"), details.get("corrective_action"),
        details.get("comment"),
    )  # fmt: skip
