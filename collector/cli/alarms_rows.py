"""Alarms as rows for CSV and JSON: dates with the plant's offset, lengths in seconds."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.spans import rfc3339_local
from collector.reports.alarm_history import Gap
from collector.reports.alarm_rows import Activation
from collector.reports.alarm_standing import Standing

COLUMNS = (
    "began", "ended", "equipment", "rule", "activation", "priority", "title", "known_s",
    "at_least_s", "at_most_s", "acknowledged", "acknowledged_by", "cause", "corrective_action",
    "first_out", "follows", "chattering", "covered", "stands",
)  # fmt: skip


def flat_row(one: Activation, zone: ZoneInfo) -> dict[str, Any]:
    """An activation as one line of CSV has it."""

    def dated(utc_us: int | None) -> str | None:
        return None if utc_us is None else rfc3339_local(utc_us, zone)

    return {
        "began": dated(one.began_utc_us), "began_not_before": dated(one.began_after_utc_us),
        "ended": dated(one.ended_utc_us), "equipment": one.equipment, "rule": one.rule,
        "activation": one.activation, "priority": one.priority, "title": one.title,
        "known_s": one.known_s, "at_least_s": one.low_s, "at_most_s": one.high_s,
        "acknowledged": dated(one.acknowledged_utc_us), "acknowledged_by": one.acknowledged_by,
        "cause": one.cause, "corrective_action": one.corrective_action,
        "first_out": one.first_out, "follows": one.follows or None,
        "chattering": one.chattering, "covered": one.covered, "stands": one.open,
    }  # fmt: skip


def full_row(one: Activation, zone: ZoneInfo) -> dict[str, Any]:
    """An activation with everything that happened to it and was said about it."""

    def dated(utc_us: int) -> str:
        return rfc3339_local(utc_us, zone)

    return {
        **flat_row(one, zone),
        "unknown": [[dated(since), dated(until)] for since, until in one.unknown_spans],
        "steps": [
            {
                "at": dated(step.utc_us), "what": step.happening, "state": step.state,
                "by": step.actor or None, "reason": step.reason or None,
            }
            for step in one.steps
        ],
        "notes": [
            {
                "at": dated(note.utc_us), "by": note.actor, "cause": note.cause,
                "corrective_action": note.corrective_action, "comment": note.comment,
            }
            for note in one.notes
        ],
    }  # fmt: skip


def standing_row(one: Standing, zone: ZoneInfo) -> dict[str, Any]:
    """An alarm that is not normal, with what to do."""
    rule = one.rule
    return {
        "alarm": one.subject, "activation": one.activation, "state": one.state,
        "priority": one.priority, "title": one.title,
        "since": rfc3339_local(one.since_utc_us, zone),
        "in_state_since": rfc3339_local(one.state_since_utc_us, zone),
        "first_out": one.first_out, "follows": one.follows or None, "unknown": one.unknown,
        "waits_for_acknowledgement": one.waits, "until": one.until,
        "by": one.actor or None, "reason": one.reason or None,
        "causes": [] if rule is None else list(rule.causes),
        "consequence": None if rule is None else rule.consequence,
        "response": None if rule is None else rule.response,
        "respond_within_s": None if rule is None else rule.respond_within_s,
        "caution": None if rule is None else rule.caution or None,
    }  # fmt: skip


def gap_row(gap: Gap, zone: ZoneInfo) -> dict[str, Any]:
    """A time in which a panel was not watched."""
    return {
        "panel": gap.panel, "from": rfc3339_local(gap.from_utc_us, zone),
        "to": None if gap.to_utc_us is None else rfc3339_local(gap.to_utc_us, zone),
        "reason": gap.reason,
    }  # fmt: skip
