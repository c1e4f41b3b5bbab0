"""The audited alarm history as a page to print, sign and file.

Black on A4 or Letter, pages numbered by the printer's own counters (CSS Paged Media, ``counter
(page)``); nothing in it needs a network. Everything that comes from files or people is escaped by
the template library.
"""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from collector.reports.alarm_export import (
    MISSING,
    Covered,
    cannot_know,
    covers,
    dated,
    lacking,
    note_text,
    spans_text,
)
from collector.reports.alarm_history import Gap, History
from collector.reports.alarm_rows import Activation

CAUTION = (
    "Discharge and compliance decisions rest with the licensed operator and the local authority. "
    "This tool is no safety system; the panel's own alarms stay in force."
)


def html_export(history: History, covered: Covered) -> str:
    """The history as one HTML page.

    Args:
        history: what the period saw.
        covered: what the export covers.
    """
    environment = Environment(
        loader=PackageLoader("collector.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    zone = covered.zone
    return environment.get_template("alarm_record.html").render(
        plant=covered.plant,
        first=dated(history.from_utc_us, zone),
        last=dated(history.to_utc_us, zone),
        covers=covers(history, covered),
        cannot_know=cannot_know(history, covered),
        rows=[_row(one, covered) for one in history.activations],
        gaps=[_gap(gap, covered) for gap in history.gaps],
        lacking=[
            {"alarm": _name(one), "began": dated(one.began_utc_us, zone), "what": missing}
            for one in history.activations
            if (missing := lacking(one))
        ],
        missing=MISSING,
        caution=CAUTION,
    )


def _name(one: Activation) -> str:
    return f"{one.subject}, activation {one.activation}"


def _row(one: Activation, covered: Covered) -> dict[str, Any]:
    zone = covered.zone
    seen = one.acknowledged_utc_us
    marks = []
    if one.first_out:
        marks.append("first of a burst")
    if one.follows:
        marks.append(f"followed {one.follows}")
    if one.chattering:
        marks.append("chattering")
    if one.covered:
        marks.append("raised while shelved, suppressed or out of service")
    return {
        "name": _name(one), "title": one.title, "priority": one.priority,
        "began": dated(one.began_utc_us, zone),
        "not_before": dated(one.began_after_utc_us, zone)
        if one.began_after_utc_us != one.began_utc_us else "",
        "ended": None if one.ended_utc_us is None else dated(one.ended_utc_us, zone),
        "least": length(one.low_s), "most": length(one.high_s) if one.unknown_s else "",
        "seen": None if seen is None else dated(seen, zone), "by": one.acknowledged_by or "",
        "cause": one.cause, "action": one.corrective_action, "marks": marks,
        "notes": [note_text(note, zone) for note in one.notes],
        "unknown": spans_text(one, zone),
    }  # fmt: skip


def _gap(gap: Gap, covered: Covered) -> dict[str, str]:
    return {
        "panel": gap.panel,
        "began": dated(gap.from_utc_us, covered.zone),
        "ended": "" if gap.to_utc_us is None else dated(gap.to_utc_us, covered.zone),
        "reason": gap.reason,
    }


def length(seconds: float) -> str:
    """A length as hours, minutes and seconds, which add up."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d} h"
