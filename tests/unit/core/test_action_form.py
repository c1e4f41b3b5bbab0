"""What people hand in is taken only if every word of it is understood.

JSON is that of RFC 8259, instants are those of RFC 3339; the rest are rules of our own.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.alarms.action_form import LARGEST_BYTES, maybe_id, read_action
from collector.core.alarms.actions import VERBS
from collector.core.records import ActionTaken

NOW = datetime(2026, 7, 2, 6, 0, tzinfo=UTC)
NOW_US = int(NOW.timestamp()) * 1_000_000
SAID = "2026-07-02T07:00:00+01:00"


def handed(verb: str = "acknowledge", **more: object) -> dict[str, object]:
    """An action that is right, unless ``more`` makes it wrong."""
    body: dict[str, object] = {
        "id": "a1", "verb": verb, "about": "collection.high_level", "by": "A. Warden",
        "way": "command line", "said": SAID,
    }  # fmt: skip
    return {name: value for name, value in {**body, **more}.items() if value is not ...}


def read(body: object) -> ActionTaken | str:
    return read_action(json.dumps(body).encode(), NOW_US, 0)


def test_an_action_is_read_with_all_that_belongs_to_it() -> None:
    """Who, what, about what, when said and how it came; the instant is that of the collector."""
    until = (NOW + timedelta(hours=8)).isoformat()
    found = read(handed("shelve", until=until, reason=" pump at the maker's "))
    assert found == ActionTaken(
        "collection.high_level", "shelve", NOW_US, "A. Warden",
        {"id": "a1", "way": "command line", "said": SAID, "until": until,
         "reason": "pump at the maker's"},
    )  # fmt: skip


EXAMPLES: dict[str, object] = {
    "until": "2026-07-03T06:00:00Z", "done_at": "2026-07-01T06:00:00Z", "activation": 3,
    "void": True, "value": 1.5, "volume_m3": 8, "volume_l": 20.0, "strength_g_per_l": 125,
    "meter_reading": 1234.5, "old_meter_reading": 9.0, "floating_layers": True,
}  # fmt: skip


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_is_taken_with_all_its_details_and_refused_without_what_it_needs(
    verb: str,
) -> None:
    """The table of verbs is what is checked, whatever stands in it."""
    details = {
        name: EXAMPLES.get(name, "some words") for name in (*VERBS[verb].needs, *VERBS[verb].may)
    }
    found = read({**handed(verb, about="collection"), **details})
    assert isinstance(found, ActionTaken)
    assert {name: found.details[name] for name in details} == details
    for name in VERBS[verb].needs:
        without = {key: value for key, value in details.items() if key != name}
        assert read({**handed(verb), **without}) == f"found no '{name}', which '{verb}' needs"


WRONG: list[tuple[dict[str, object], str]] = [
    ({"verb": "acknowlege"}, "did you mean 'acknowledge'?"),
    ({"verb": ...}, "found no 'verb'"),
    ({"verb": 3}, "found a number as 'verb'"),
    ({"coment": "x"}, "did you mean 'comment'?"),
    ({"refused": "x"}, "found 'refused', which 'acknowledge' does not take"),
    ({"reason": "x"}, "found 'reason', which 'acknowledge' does not take"),
    ({"by": ...}, "found no 'by'"),
    ({"by": "  "}, "as 'by', expected a name"),
    ({"by": "x" * 101}, "found 101 characters as 'by', expected at most 100"),
    ({"by": "a\nb"}, "control character in 'by'"),
    ({"by": " warden"}, "found blanks around 'by'"),
    ({"by": 7}, "found a number as 'by'"),
    ({"id": ...}, "found no 'id'"),
    ({"id": "../x"}, "found '../x' as 'id'"),
    ({"id": ""}, "found '' as 'id'"),
    ({"about": "Pump 1"}, "found 'Pump 1' as 'about', expected equipment.rule"),
    ({"about": "a.b.c"}, "as 'about'"),
    ({"about": None}, "found nothing as 'about'"),
    ({"said": "yesterday"}, "found 'yesterday' as 'said', expected an instant such as"),
    ({"said": "2026-07-02T07:00:00"}, "expected an instant such as"),  # no offset
    ({"said": "2026-02-30T07:00:00Z"}, "which no calendar has"),
    ({"said": "20260702T070000Z"}, "expected an instant such as"),  # ISO 8601, not RFC 3339
    ({"comment": ""}, "found '' as 'comment', expected a text"),
    ({"comment": "x" * 2001}, "found 2001 characters as 'comment', expected at most 2000"),
    ({"comment": ["x"]}, "found a list as 'comment'"),
    ({"comment": {"x": 1}}, "found an object as 'comment'"),
    ({"comment": "a\x00b"}, "control character in 'comment'"),
]


@pytest.mark.parametrize(("more", "why"), WRONG)
def test_what_is_wrong_is_said_in_a_sentence(more: dict[str, object], why: str) -> None:
    """With what was found, what is expected and the nearest valid name."""
    found = read({k: v for k, v in {**handed(), **more}.items() if v is not ...})
    assert isinstance(found, str)
    assert why in found


def shelved_until(until: object) -> ActionTaken | str:
    return read(handed("shelve", until=until, reason="x"))


def test_a_shelving_ends_in_the_future_and_within_a_month() -> None:
    """An alarm is not set aside for good, nor until a time that has passed."""
    assert "which is past" in str(shelved_until(NOW.isoformat()))
    assert "at most 31 days" in str(shelved_until((NOW + timedelta(days=31.01)).isoformat()))
    assert isinstance(shelved_until((NOW + timedelta(days=30)).isoformat()), ActionTaken)
    assert "found a number as 'until'" in str(shelved_until(8))


def test_wall_time_and_not_plant_time_decides_what_is_past() -> None:
    """A shelving of a journal whose plant time is far from UTC."""
    body = handed("shelve", until="2026-07-02T07:00:00Z", reason="x")
    assert isinstance(read_action(json.dumps(body).encode(), 5, NOW_US - 5), ActionTaken)
    assert "which is past" in str(read_action(json.dumps(body).encode(), 5, NOW_US + 3_600_000_000))


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"volume_m3": "8"}, "found '8' as 'volume_m3', expected a number"),
        ({"volume_m3": True}, "expected a number"),
        ({"volume_m3": 10**400}, "expected a number"),
        ({"volume_m3": 8.0, "done_at": "2026-07-02T06:10:00Z"}, "which is yet to come"),
    ],
)
def test_figures_are_figures_and_work_was_done_before_it_is_told(
    more: dict[str, object], why: str
) -> None:
    """A clock may be a few minutes ahead, no more."""
    assert why in str(read({**handed("haul", about="sludge_store"), **more}))


def test_an_activation_is_counted_from_one() -> None:
    """A note may name the activation it is about."""
    assert isinstance(read(handed("note", activation=1, cause="rag")), ActionTaken)
    for wrong in (0, -1, 1.0, True, "1"):
        assert "expected a whole number from 1 on" in str(read(handed("note", activation=wrong)))


def test_who_speaks_over_a_broker_cannot_say_to_be_somebody_else() -> None:
    """The actor is then known from how it came."""
    body = json.dumps(handed(by=..., way=...)).encode()
    found = read_action(body, NOW_US, 0, actor="warden", way="mqtt")
    assert isinstance(found, ActionTaken)
    assert (found.actor, found.details["way"]) == ("warden", "mqtt")
    for name in ("by", "way"):
        body = json.dumps({**handed(by=..., way=...), name: "other"}).encode()
        why = read_action(body, NOW_US, 0, actor="warden", way="mqtt")
        assert why == f"found '{name}', which is known from how it came"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"", "found no JSON"),
        (b"[]", "found a list, expected a JSON object"),
        (b'"x"', "found a text"),
        (b'{"id": 1', "found no JSON at line 1, column 9"),
        (b"\xff\xfe", "not UTF-8"),
        (b'{"id": "a", "id": "b"}', "found 'id' twice"),
        (b'{"value": NaN}', "found NaN, which JSON does not have"),
        (b'{"value": -Infinity}', "found -Infinity"),
        (b"[" * 16_000, "brackets too deep"),
        (b'{"value": ' + b"9" * 10_000 + b"}", "a number too long"),
        (b" " * (LARGEST_BYTES + 1), f"expected at most {LARGEST_BYTES}"),
    ],
)
def test_what_is_no_json_object_is_refused(text: bytes, why: str) -> None:
    """RFC 8259 has no NaN; names that come twice have no one meaning (its section 4)."""
    assert why in str(read_action(text, NOW_US, 0))
    assert maybe_id(text) is None


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_anything_else_is_refused_and_never_raises(data: bytes) -> None:
    """Bytes of any sort."""
    assert isinstance(read_action(data, NOW_US, 0), str)


@given(
    st.dictionaries(
        st.sampled_from(["id", "verb", "about", "by", "way", "said", "until", "comment", "x"]),
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text()
        | st.lists(st.integers(), max_size=2) | st.sampled_from(["acknowledge", "a.b", SAID]),
    )
)  # fmt: skip
def test_objects_of_any_values_are_read_or_refused_and_never_raise(body: dict[str, object]) -> None:
    """Whatever is read has an actor, an id and a known verb."""
    found = read(body)
    if isinstance(found, ActionTaken):
        assert found.verb in VERBS
        assert found.actor
        assert found.details["id"] == maybe_id(json.dumps(body).encode())
