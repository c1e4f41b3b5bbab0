"""Reads an action as it is handed in: a JSON object, checked to its last character.

What comes from the in-tray or a broker was written by somebody else's program. It is taken only if
every word of it is understood; what is refused gets one sentence that says why.

    {"id": "…", "verb": "acknowledge", "about": "collection.high_level", "by": "A. Warden",
     "way": "command line", "said": "2026-07-02T07:00:00+01:00"}

and the details of the verb beside them (``actions.VERBS``).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from datetime import datetime
from math import isfinite

from collector.core.alarms.actions import ALWAYS, LONGEST_TEXT, VERBS, Verb
from collector.core.calendar import instant_us
from collector.core.records import ActionTaken, Value
from collector.plant.findings import nearest_name

LARGEST_BYTES = 16 << 10
LONGEST_ACTOR = 100
LONGEST_WAY = 40
LONGEST_SHELVING_US = 31 * 86_400_000_000  # common practice, no source: a month, then think again
CLOCKS_APART_US = 300_000_000  # by which the clock of whoever says something may be ahead of ours
ID_PATTERN = re.compile(r"[A-Za-z0-9_-]{1,64}")
ABOUT_PATTERN = re.compile(r"[a-z][a-z0-9_]{0,47}(\.[a-z][a-z0-9_]{0,47})?")
# RFC 3339, section 5.6; the library reads more than that.
RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)")
CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
CONTROL_IN_TEXT = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")  # lines may be broken

FIGURES = ("value", "volume_m3", "volume_l", "strength_g_per_l")
INSTANTS = ("until", "done_at")
YES_OR_NO = ("void",)
YES_OR_NO_OR_TEXT = ("floating_layers",)
FIGURE_OR_TEXT = ("meter_reading", "old_meter_reading")
ACTIVATION = "activation"


class _Refused(ValueError):
    """The text of an action cannot be taken; the message says why."""


def read_action(
    data: bytes,
    by_us: int,
    offset_us: int,
    *,
    actor: str | None = None,
    way: str | None = None,
) -> ActionTaken | str:
    """The action a JSON object says, or one sentence that says why it is none.

    Args:
        data: UTF-8 JSON text (RFC 8259).
        by_us: plant time of this instant.
        offset_us: wall time minus plant time.
        actor: who said it, where that is known otherwise; the text must then not say it.
        way: how it came, where that is known otherwise; the text must then not say it.
    """
    try:
        body = _object(data)
        verb_name = _verb(body)
        given = {"by": actor, "way": way}
        for name, known in given.items():
            if known is None:
                continue
            if name in body:
                raise _Refused(f"found '{name}', which is known from how it came")
            body[name] = known
        verb = VERBS[verb_name]
        _complete(body, verb_name, verb)
        details: dict[str, Value] = {
            "id": _matching(body, "id", ID_PATTERN, "1 to 64 letters, digits, _ or -"),
            "way": _name(body, "way", LONGEST_WAY),
            "said": _instant_text(body, "said"),
        }
        about = _matching(body, "about", ABOUT_PATTERN, "equipment.rule, equipment or plant")
        said_by = _name(body, "by", LONGEST_ACTOR)
        for name in (*verb.needs, *verb.may):
            if name in body:
                details[name] = _detail(body, name, by_us + offset_us)
    except _Refused as refused:
        return str(refused)
    return ActionTaken(about, verb_name, by_us, said_by, details)


def maybe_id(data: bytes) -> str | None:
    """The id of an action that was refused, so that it can be answered; None if it has none."""
    try:
        found = _object(data).get("id")
    except _Refused:
        return None
    return found if isinstance(found, str) and ID_PATTERN.fullmatch(found) else None


def _object(data: bytes) -> dict[str, object]:
    if len(data) > LARGEST_BYTES:
        raise _Refused(f"found {len(data)} bytes, expected at most {LARGEST_BYTES}")
    try:
        found = json.loads(data.decode(), object_pairs_hook=_once_each, parse_constant=_no_constant)
    except UnicodeDecodeError:
        raise _Refused("found bytes that are not UTF-8, expected a JSON object") from None
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise _Refused(f"found no JSON at {place} ({error.msg}), expected an object") from None
    except RecursionError:
        raise _Refused("found brackets too deep to read, expected a plain JSON object") from None
    except _Refused:
        raise
    except ValueError:  # a number of thousands of digits
        raise _Refused("found a number too long to read, expected a JSON object") from None
    if not isinstance(found, dict):
        raise _Refused(f"found {_kind(found)}, expected a JSON object")
    return found


def _once_each(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found: dict[str, object] = {}
    for name, value in pairs:
        if name in found:
            raise _Refused(f"found '{_cut(name)}' twice, expected every name once")
        found[name] = value
    return found


def _no_constant(name: str) -> object:
    raise _Refused(f"found {name}, which JSON does not have")


def _verb(body: dict[str, object]) -> str:
    verb = body.get("verb")
    if isinstance(verb, str) and verb in VERBS:
        return verb
    if verb is None:
        raise _Refused(f"found no 'verb', expected one of {', '.join(VERBS)}")
    if not isinstance(verb, str):
        raise _Refused(f"found {_kind(verb)} as 'verb', expected one of {', '.join(VERBS)}")
    raise _Refused(f"found the verb '{_cut(verb)}', {_expected(verb, VERBS)}")


def _complete(body: dict[str, object], name: str, verb: Verb) -> None:
    """Every name of the object is known, and none is missing."""
    outer = ("id", "verb", "about", "by", "way", "said")
    known = (*outer, *verb.needs, *verb.may)
    for found in body:
        if found not in known:
            takes = ", ".join((*verb.needs, *verb.may)) or "none"
            hint = nearest_name(found, known) if found not in ALWAYS else None
            raise _Refused(
                f"found '{_cut(found)}', which '{name}' does not take, expected of details: {takes}"
                + (f"; did you mean '{hint}'?" if hint else "")
            )
    missing = [wanted for wanted in (*outer, *verb.needs) if wanted not in body]
    if missing:
        raise _Refused(f"found no '{missing[0]}', which '{name}' needs")


def _detail(body: dict[str, object], name: str, now_utc_us: int) -> Value:
    value = body[name]
    if name in INSTANTS:
        text = _instant_text(body, name)
        _timely(name, text, now_utc_us)
        return text
    if name in FIGURES or (name in FIGURE_OR_TEXT and not isinstance(value, str)):
        return _figure(name, value)
    if name == ACTIVATION:
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value < 1 << 53:
            raise _Refused(f"found {_shown(value)} as '{name}', expected a whole number from 1 on")
        return value
    if name in YES_OR_NO or (name in YES_OR_NO_OR_TEXT and isinstance(value, bool)):
        if not isinstance(value, bool):
            raise _Refused(f"found {_shown(value)} as '{name}', expected true or false")
        return value
    return _text(name, value)


def _timely(name: str, text: str, now_utc_us: int) -> None:
    at_us = instant_us(_moment(name, text))
    if name == "until" and at_us <= now_utc_us:
        raise _Refused(f"found '{text}' as 'until', which is past, expected a time to come")
    if name == "until" and at_us > now_utc_us + LONGEST_SHELVING_US:
        days = LONGEST_SHELVING_US // 86_400_000_000
        raise _Refused(f"found '{text}' as 'until', expected at most {days} days from now")
    if name == "done_at" and at_us > now_utc_us + CLOCKS_APART_US:
        raise _Refused(f"found '{text}' as 'done_at', which is yet to come")


def _figure(name: str, value: object) -> float:
    # The greatest double is near 1.8e308; a longer whole number is none.
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e300:
        raise _Refused(f"found {_shown(value)} as '{name}', expected a number")
    if not isfinite(value):
        raise _Refused(f"found a number beyond all bounds as '{name}'")
    return float(value)


def _text(name: str, value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise _Refused(f"found {_shown(value)} as '{name}', expected a text")
    if len(value) > LONGEST_TEXT:
        raise _Refused(
            f"found {len(value)} characters as '{name}', expected at most {LONGEST_TEXT}"
        )
    if CONTROL_IN_TEXT.search(value):
        raise _Refused(f"found a control character in '{name}', expected a plain text")
    return value.strip()


def _name(body: dict[str, object], name: str, longest: int) -> str:
    value = body[name]
    if not isinstance(value, str) or not value.strip():
        raise _Refused(f"found {_shown(value)} as '{name}', expected a name")
    if len(value) > longest:
        raise _Refused(f"found {len(value)} characters as '{name}', expected at most {longest}")
    if CONTROL.search(value):
        raise _Refused(f"found a control character in '{name}', expected a plain name")
    if value != value.strip():  # else one who is known to a broker by it could pass for another
        raise _Refused(f"found blanks around '{name}', expected a plain name")
    return value


def _matching(body: dict[str, object], name: str, pattern: re.Pattern[str], expected: str) -> str:
    value = body[name]
    if not isinstance(value, str) or not pattern.fullmatch(value):
        raise _Refused(f"found {_shown(value)} as '{name}', expected {expected}")
    return value


def _instant_text(body: dict[str, object], name: str) -> str:
    value = body[name]
    if not isinstance(value, str) or not RFC3339.fullmatch(value):
        example = "2026-07-02T07:00:00+01:00"
        raise _Refused(f"found {_shown(value)} as '{name}', expected an instant such as {example}")
    _moment(name, value)
    return value


def _moment(name: str, text: str) -> datetime:
    try:
        return datetime.fromisoformat(text.upper())
    except ValueError:
        raise _Refused(f"found '{text}' as '{name}', which no calendar has") from None


def _expected(found: str, known: Iterable[str]) -> str:
    names = list(known)
    meant = nearest_name(found, names)
    hint = f"; did you mean '{meant}'?" if meant else ""
    return f"expected one of {', '.join(names)}{hint}"


def _shown(value: object) -> str:
    return f"'{_cut(value)}'" if isinstance(value, str) else _kind(value)


def _kind(value: object) -> str:
    kinds: tuple[tuple[Callable[[object], bool], str], ...] = (
        (lambda each: each is None, "nothing"),
        (lambda each: isinstance(each, bool), "true or false"),
        (lambda each: isinstance(each, int | float), "a number"),
        (lambda each: isinstance(each, str), "a text"),
        (lambda each: isinstance(each, list), "a list"),
    )
    return next((word for fits, word in kinds if fits(value)), "an object")


def _cut(text: str) -> str:
    plain = CONTROL.sub("�", text)
    return plain if len(plain) <= 60 else plain[:60] + "…"
