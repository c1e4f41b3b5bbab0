"""Which alarms are not normal now, from the newest record of each.

The newest record of a subject is never deleted, so nothing that stands can be missed here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from collector.core.alarms import states
from collector.core.alarms.rule import AlarmRule, Priority
from collector.core.alarms.states import State
from collector.core.alarms.wire import alarm_of
from collector.core.records import Quality, Record, RecordKind
from collector.journal.reader import JournalReader
from collector.reports.alarm_drafts import COVERED
from collector.reports.alarm_history import Gap
from collector.reports.eras import ALL, EVER_US

WAITING = frozenset(
    state.value for state in (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)
)


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that is not normal.

    Args:
        subject: ``equipment.rule``.
        activation: number of its newest activation, 0 if it never had one.
        state: in the words of ``core/alarms/states.py``.
        since_utc_us: when it was raised, or came into its state if it is not standing.
        state_since_utc_us: when it came into its state.
        priority: ``low``, ``medium`` or ``high``.
        title: what people are told.
        first_out: whether it was the first of a burst, and others of it stand.
        follows: the first of the burst it came in, as ``equipment.rule#activation``; else empty.
        unknown: whether nobody knows if its condition still holds.
        waits: whether it waits for acknowledgement.
        set_aside: whether it is shelved, suppressed or out of service, so that nobody is to act.
        until: end of the shelving as it was said, None where it is not shelved.
        actor, reason: who brought it into its state and why; empty where nobody did.
        rule: what to do, None where the rule is no longer in force.
    """

    subject: str
    activation: int
    state: str
    since_utc_us: int
    state_since_utc_us: int
    priority: str
    title: str
    first_out: bool
    follows: str
    unknown: bool
    waits: bool
    set_aside: bool
    until: str | None
    actor: str
    reason: str
    rule: AlarmRule | None


def known_subjects(reader: JournalReader, rules: Iterable[AlarmRule] = ()) -> list[str]:
    """Every alarm there is or ever was, in order of name."""
    on_record = {subject for _, subject in reader.latest((RecordKind.ALARM,))}
    return sorted(on_record | {rule.subject for rule in rules})


def standing_alarms(reader: JournalReader, rules: Iterable[AlarmRule] = ()) -> list[Standing]:
    """What is not normal, the highest priority first, then what came first.

    Args:
        reader: of the journal.
        rules: those in force; they say what to do.
    """
    in_force = {rule.subject: rule for rule in rules}
    found = [
        _standing(reader, record, in_force.get(record.subject))
        for record in reader.latest((RecordKind.ALARM,)).values()
        if alarm_of(record).state != State.NORMAL.value
    ]
    led = {one.follows for one in found}
    marked = (replace(one, first_out=f"{one.subject}#{one.activation}" in led) for one in found)
    return sorted(marked, key=_rank)


def unwatched(reader: JournalReader, panels: Collection[str]) -> list[Gap]:
    """Panels that do not answer now, and since when."""
    latest = reader.latest((RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED))
    found = []
    for panel in panels:
        lost = latest.get((RecordKind.PANEL_LOST, panel))
        back = latest.get((RecordKind.PANEL_RETURNED, panel))
        if lost is not None and (back is None or back.sequence < lost.sequence):
            since_us = lost.utc_us - (lost.at_us - lost.after_us)
            found.append(Gap(panel, since_us, None, lost.reason))
    return found


def _standing(reader: JournalReader, newest: Record, rule: AlarmRule | None) -> Standing:
    """How an alarm stands, from its newest record and what was said of its activation."""
    now = alarm_of(newest)
    raised, said = newest, now
    for record in reader.history(newest.subject, -EVER_US, EVER_US, ALL):
        if record.kind is not RecordKind.ALARM:
            continue
        move = alarm_of(record)
        if move.happening in states.COVERING and move.state == now.state:
            said = move
        elif move.happening == states.RAISED and move.activation == now.activation:
            raised = record
    told = {**alarm_of(raised).details, **said.details}

    def text(name: str) -> str:
        return str(told.get(name) or "")

    return Standing(
        subject=newest.subject, activation=now.activation, state=now.state,
        since_utc_us=raised.utc_us, state_since_utc_us=newest.utc_us,
        priority=rule.priority.word if rule else text("priority"),
        title=rule.title if rule else text("title"), first_out=False, follows=text("follows"),
        unknown=newest.quality is Quality.BAD, waits=now.state in WAITING,
        set_aside=now.state in COVERED, until=text("until") or None, actor=text("actor"),
        reason=text("reason"), rule=rule,
    )  # fmt: skip


def _rank(one: Standing) -> tuple[bool, int, int, str]:
    priority = Priority[one.priority.upper()] if one.priority else 0
    return one.set_aside, -priority, one.since_utc_us, one.subject
