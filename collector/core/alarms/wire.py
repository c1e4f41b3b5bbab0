"""How a move of an alarm stands in a journal record: its value is JSON of all that is not dated."""

from __future__ import annotations

import json

from collector.core.records import AlarmMoved, Record, Value


def alarm_text(move: AlarmMoved) -> str:
    """State, happening, activation and details as JSON text."""
    body = {"state": move.state, "happening": move.happening, "activation": move.activation}
    return _compact({**body, **move.details})


def alarm_of(record: Record) -> AlarmMoved:
    """The move that a record keeps."""
    body: dict[str, Value] = json.loads(str(record.value))
    state, happening = str(body.pop("state")), str(body.pop("happening"))
    activation = body.pop("activation", 0)
    return AlarmMoved(
        record.subject, state, happening, record.after_us, record.at_us,
        activation if isinstance(activation, int) else 0, record.quality, body,
    )  # fmt: skip


def state_text(state: str, details: object) -> str:
    """The state of a task of service with its details as JSON text."""
    return _compact({"state": state, **(details if isinstance(details, dict) else {})})


def _compact(body: object) -> str:
    return json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
