"""The few records a person at the daemon's log wants to see, one line each."""

from __future__ import annotations

import structlog

from collector.core.alarms.actions import action_of
from collector.core.alarms.states import RAISED
from collector.core.alarms.wire import alarm_of
from collector.core.records import AWAY, COLLECTOR_STOPPED, Record, RecordKind

log = structlog.get_logger()


def say(record: Record) -> None:
    """Log a record that was committed, if it is one of those."""
    if record.kind is RecordKind.PANEL_LOST:
        tell = log.info if record.reason in (AWAY, COLLECTOR_STOPPED) else log.warning
        tell("panel lost", panel=record.subject, reason=record.reason)
    elif record.kind is RecordKind.PANEL_RETURNED:
        log.info("panel answers", panel=record.subject)
    elif record.kind is RecordKind.CLOCK:
        log.warning("wall clock stepped", by_s=(record.low or 0.0) / 1e6)
    elif record.kind is RecordKind.EVENT:
        log.debug("happened", what=record.subject, value=record.value)
    elif record.kind is RecordKind.ALARM:
        _say_alarm(record)
    elif record.kind is RecordKind.ACTION:
        _say_action(record)


def _say_alarm(record: Record) -> None:
    move = alarm_of(record)
    told = {name: move.details[name] for name in TOLD if move.details.get(name)}
    tell = log.warning if move.happening == RAISED else log.info
    tell(f"alarm {move.happening}", alarm=record.subject, state=move.state, **told)


def _say_action(record: Record) -> None:
    action = action_of(record.subject, record.at_us, str(record.value))
    refused = action.details.get("refused")
    about = {"verb": action.verb, "about": record.subject, "actor": action.actor}
    if refused:
        log.warning("action has no effect", **about, because=refused)
    else:
        log.info("action", **about)


TOLD = ("priority", "title", "actor", "reason")
