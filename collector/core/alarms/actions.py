"""What people may do, in one table, and the form in which it is handed over and kept.

An action comes as a JSON object from the in-tray or from a broker and is journaled as it came. It
is an input of the engine, so that a replay sees it at its place.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from collector.core.records import ActionTaken, Value

COMMAND_LINE, MQTT = "command line", "mqtt"
LONGEST_TEXT = 2_000


@dataclass(frozen=True, slots=True)
class Verb:
    """One thing a person may do.

    Args:
        needs: details without which it is refused.
        may: further details it takes.
        means: one line for the documentation.
    """

    needs: tuple[str, ...]
    may: tuple[str, ...]
    means: str


VERBS: dict[str, Verb] = {
    "acknowledge": Verb((), ("comment",), "an alarm has been seen by someone who will act"),
    "shelve": Verb(("until", "reason"), (), "an alarm is set aside until a time"),
    "unshelve": Verb((), ("reason",), "the shelving ends before its time"),
    "out_of_service": Verb(("reason",), (), "an alarm is taken out of service"),
    "return_to_service": Verb((), ("reason",), "it is back in service"),
    "reset": Verb((), ("comment",), "a latched alarm that has cleared is reset"),
    "note": Verb(
        (),
        ("activation", "cause", "corrective_action", "comment"),
        "what caused an alarm and what was done about it",
    ),
    "work_done": Verb(("task",), ("meter_reading", "done_at", "comment"), "a task of service"),
    "reading": Verb(("of", "value", "unit"), ("done_at", "comment"), "a figure read on site"),
    "sample": Verb(
        ("of", "value", "unit"), ("done_at", "laboratory", "comment"), "a result of a sample"
    ),
    "haul": Verb(
        ("volume_m3",),
        ("done_at", "floating_layers", "haulier", "ticket", "comment"),
        "sludge taken away, perhaps with the floating layers of the sumps",
    ),
    "wasting": Verb(("volume_m3",), ("done_at", "comment"), "sludge moved into the store"),
    "screen_cleaned": Verb((), ("done_at", "comment"), "a screen was cleaned"),
    "delivery": Verb(
        ("volume_l",), ("strength_g_per_l", "done_at", "comment"), "a chemical filled in"
    ),
    "relocated": Verb(("change",), ("done_at",), "another hose, lift or place from then on"),
    "replaced": Verb(
        ("serial_number",),
        ("meter_reading", "old_meter_reading", "done_at", "comment"),
        "another machine or meter from then on",
    ),
    "correction": Verb(("of_entry",), ("corrected", "void", "comment"), "an entry was wrong"),
}
LOGBOOK = (
    "work_done", "reading", "sample", "haul", "wasting", "screen_cleaned", "delivery", "relocated",
    "replaced", "correction",
)  # fmt: skip
"""Verbs that are entries of the logbook; the others are about alarms."""

ALWAYS = ("id", "way", "said", "refused")


def action_text(action: ActionTaken) -> str:
    """Verb, actor and details as JSON text, for a record's value."""
    body = {"verb": action.verb, "actor": action.actor, **action.details}
    return json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def action_of(about: str, by_us: int, text: str) -> ActionTaken:
    """The action that a record keeps."""
    body: dict[str, Value] = json.loads(text)
    verb, actor = str(body.pop("verb")), str(body.pop("actor"))
    return ActionTaken(about, verb, by_us, actor, body)
