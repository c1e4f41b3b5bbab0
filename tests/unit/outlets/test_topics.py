"""What is published, against the AsyncAPI file, RFC 3339, RFC 8259 and the MQTT 5.0 rules."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft7Validator

import collector.outlets
from collector.core.alarms.actions import VERBS
from collector.core.catalogue import Catalogue
from collector.core.records import Quality, Record, RecordKind, Value
from collector.outlets.topics import Message, Topics, rfc3339, tidy
from tests.outlet_samples import ALARM, HEAD, NOON_US, one_of_each, record, sample_plant

API_FILE = Path(collector.outlets.__file__).with_name("asyncapi.yaml")
RECEIVED = "handedIn"
ROOTS = ("weirkeeper", "sites/north")
API: dict[str, Any] = yaml.safe_load(API_FILE.read_text())


def at(pointer: str) -> Any:
    """What a local reference of the AsyncAPI file means."""
    found: Any = API
    for key in pointer.removeprefix("#/").split("/"):
        found = found[key]
    return found


def channel_of(topic: str) -> str:
    """The one channel whose address a topic matches."""
    found = []
    for name, channel in API["channels"].items():
        pattern = re.escape(channel["address"]).replace(r"\{root\}", f"(?:{'|'.join(ROOTS)})")
        pattern = re.sub(r"\\\{\w+\\\}", "[^/]+", pattern)
        if re.fullmatch(pattern, topic):
            found.append(name)
    assert len(found) == 1, f"{topic} matches {found}"
    return str(found[0])


def check(message: Message) -> dict[str, Any]:
    """Check a message against the schema of its channel; its body."""
    channel = API["channels"][channel_of(message.topic)]
    (reference,) = channel["messages"].values()
    pointer = at(reference["$ref"])["payload"]["$ref"]
    body: dict[str, Any] = json.loads(message.payload)
    Draft7Validator({**API, "$ref": pointer}).validate(body)  # AsyncAPI 3.0.0: superset of draft 7
    for key in ("at", "not_before", "connected"):
        if key in body:
            assert datetime.fromisoformat(body[key]).tzinfo == UTC
    assert message.retain == ("/now/" in message.topic or message.topic.endswith("/collector"))
    return body


def topics(root: str = "weirkeeper") -> Topics:
    plant = sample_plant()
    return Topics(root, plant, Catalogue(plant), "5f0c")


def messages_of(item: Record, maker: Topics) -> list[Message]:
    """All messages a record can become."""
    state, event = maker.state_tail(item), maker.event_tail(item)
    if state is not None:
        return [maker.now(item, state), maker.late_state(item, state)]
    if event is not None:
        return [maker.event(item, event, late=False), maker.event(item, event, late=True)]
    return []


def test_every_message_fits_the_asyncapi_file_and_every_channel_is_used() -> None:
    """The file describes exactly what is published: addresses and payloads, both ways."""
    for root in ROOTS:
        used = set()
        maker = topics(root)
        for number, item in enumerate(one_of_each(), 1):
            for message in messages_of(replace(item, sequence=number), maker):
                check(message)
                used.add(channel_of(message.topic))
        for state in ("present", "stopped", "lost"):
            message = maker.presence(state, NOON_US)
            check(message)
            used.add(channel_of(message.topic))
        for body in ({"outcome": "accepted", "number": 3}, {"outcome": "refused", "why": "x"}):
            message = maker.answer("warden", {"id": "a1", **body})
            check(message)
            used.add(channel_of(message.topic))
        assert used == set(API["channels"]) - {RECEIVED}
        assert channel_of(maker.actions.replace("+", "warden")) == RECEIVED


def test_the_asyncapi_file_refers_only_to_what_it_has_and_sends_on_every_channel() -> None:
    """AsyncAPI 3.0.0: operations refer to channels, addresses use exactly their parameters."""

    def references(node: Any) -> list[str]:
        if isinstance(node, dict):
            own = [node["$ref"]] if "$ref" in node else []
            return own + [r for value in node.values() for r in references(value)]
        if isinstance(node, list):
            return [r for value in node for r in references(value)]
        return []

    for reference in references(API):
        at(reference)
    done = {op["channel"]["$ref"]: op["action"] for op in API["operations"].values()}
    assert done == {
        f"#/channels/{name}": "receive" if name == RECEIVED else "send" for name in API["channels"]
    }
    assert set(API["components"]["schemas"]["verb"]["enum"]) == set(VERBS)
    for channel in API["channels"].values():
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel["parameters"])


def test_values_are_told_in_the_unit_of_the_plant_file() -> None:
    """0.875 m is 87.5 cm and 36000 s are 10 h (SI Brochure, 9th edition: c = 1/100, h = 3600 s)."""
    maker = topics()
    told = {}
    for item in one_of_each():
        for message in messages_of(item, maker)[:1]:
            told[message.topic.removeprefix("weirkeeper/osier_bend/")] = json.loads(message.payload)
    level = told["now/point/works/level"]
    assert (level["value"], level["unit"]) == (87.5, "cm")
    hours = told["now/point/works/hours"]
    assert (hours["value"], hours["unit"]) == (10.0, "h")
    run = told["now/equipment/pump_1/run_hours"]
    assert run["value"] == 1.5
    assert run["low"] == pytest.approx(5398.5 / 3600, rel=1e-14)
    assert run["high"] == pytest.approx(5401.5 / 3600, rel=1e-14)
    mode = told["now/point/works/mode"]
    assert (mode["value"], mode["word"]) == (2, "auto")
    assert told["now/panel/works/link_availability"]["value"] == 99.75
    assert told["now/point/works/p1_run"]["value"] is True
    clock = told["event/clock"]
    assert (clock["value"], clock["unit"]) == (3600.0, "s")
    assert "value" not in told["event/equipment/pump_1/started"]
    assert told["event/equipment/pump_1/stopped"]["value"] == 90.5


def test_alarms_actions_and_heads_are_told_in_their_own_words() -> None:
    """What the record says, beside when and where it stands; a head stays whole, as signed."""
    told = {}
    for item in one_of_each():
        for message in messages_of(item, topics())[:1]:
            told[message.topic.removeprefix("weirkeeper/osier_bend/")] = json.loads(message.payload)
    alarm = told["now/alarm/sump/high_level"]
    assert alarm == {
        **json.loads(ALARM), "quality": "good", "at": "2026-03-01T12:00:00.000000Z",
        "not_before": "2026-03-01T11:59:59.000000Z", "number": 0, "journal": "5f0c",
    }  # fmt: skip
    assert told["event/action/sump/high_level"]["actor"] == "warden"
    assert told["event/action/plant"]["about"] == "plant"
    assert told["now/head"]["head"] == json.loads(HEAD)
    assert told["now/collector/disk_short"]["word"] == "no"
    lag = told["now/collector/mqtt_behind"]
    assert (lag["value"], lag["unit"]) == (pytest.approx(3600.5 / 60), "min")


def test_an_alarm_whose_rule_is_gone_has_no_present() -> None:
    """MQTT 5.0, 3.3.1.3: an empty message clears the retained one."""
    plant = sample_plant()
    maker = Topics("weirkeeper", plant, Catalogue(plant), "5f0c", {"sump.high_level"})
    assert maker.has_present(record(RecordKind.ALARM, "sump.high_level", value=ALARM))
    assert not maker.has_present(record(RecordKind.ALARM, "sump.gone", value=ALARM))
    assert maker.has_present(record(RecordKind.HEAD, "record", value=HEAD))


@pytest.mark.parametrize("value", [None, "", "[]", "words", 3.0])
def test_a_record_that_should_hold_an_object_and_does_not_is_refused(value: Value) -> None:
    """So that it goes to quarantine and holds nothing up."""
    with pytest.raises(ValueError, match="holds no object"):
        topics().now(record(RecordKind.ALARM, "sump.high_level", value=value), "alarm/sump/x")


def test_an_unknown_value_is_null_with_its_quality_and_reason_and_never_zero() -> None:
    """RFC 8259 section 6 has no NaN and no infinity: what is not finite is unknown."""
    maker = topics()
    lost = record(
        RecordKind.POINT, "works.float_start", value=None, quality=Quality.BAD, reason="link lost"
    )
    body = json.loads(maker.now(lost, "point/works/float_start").payload)
    assert body["value"] is None
    assert (body["quality"], body["reason"]) == ("bad", "link lost")
    for bad in (math.nan, math.inf, -math.inf):
        item = record(RecordKind.POINT, "works.level", value=bad, low=bad, high=1.0, sequence=1)
        body = check(maker.now(item, "point/works/level"))
        assert body["value"] is None
        assert body["quality"] == "bad"
        assert "low" not in body
        assert body["high"] == 100.0


def test_instants_are_rfc_3339_in_utc() -> None:
    """Examples of RFC 3339 section 5.8, given to the microsecond, and the standard library."""
    assert rfc3339(482_196_050_520_000) == "1985-04-12T23:20:50.520000Z"
    leap = datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)
    assert rfc3339(int(leap.timestamp()) * 1_000_000) == "1996-12-20T00:39:57.000000Z"
    assert rfc3339(0) == "1970-01-01T00:00:00.000000Z"
    assert rfc3339(-1) == "1969-12-31T23:59:59.999999Z"
    assert rfc3339(NOON_US) == "2026-03-01T12:00:00.000000Z"
    with pytest.raises(ValueError, match="has no date"):
        rfc3339(10**18)


def test_the_bracket_of_a_change_is_told_on_the_wall_clock() -> None:
    """``at`` minus ``not_before`` is the bracket, however far wall and plant time are apart."""
    item = Record(RecordKind.POINT, "works.p1_run", 5_000_000, NOON_US, 4_250_000, True, sequence=7)
    body = json.loads(topics().now(item, "point/works/p1_run").payload)
    assert body["at"] == "2026-03-01T12:00:00.000000Z"
    assert body["not_before"] == "2026-03-01T11:59:59.250000Z"
    assert (body["number"], body["journal"]) == (7, "5f0c")


def test_a_total_of_the_past_derived_again_never_takes_the_place_of_the_newest() -> None:
    """MQTT 5.0, 3.3.1.3: a retained message replaces the one before, so it must not be older."""
    maker = topics()
    total = record(
        RecordKind.TOTAL, "pump_1.starts.day", value=4.0, low=4.0, high=4.0,
        bracket_us=86_400_000_000, sequence=5,
    )  # fmt: skip
    assert maker.state_tail(total) == "total/pump_1/starts/day"
    body = check(maker.now(total, "total/pump_1/starts/day"))
    assert body["begin"] == "2026-02-28T12:00:00.000000Z"
    again = replace(total, reason="recomputed with plant file 0123abcd")
    assert maker.state_tail(again) is None
    assert maker.event_tail(again) == "recomputed/pump_1/starts/day"


@pytest.mark.parametrize("subject", ["works", "a.b.c", "works.#", "works.+", "works./x", ".", ""])
def test_a_subject_that_is_no_topic_is_refused_in_words(subject: str) -> None:
    """MQTT 5.0, 4.7.1: wildcards must not stand in a topic name."""
    with pytest.raises(ValueError, match="cannot be a topic"):
        topics().state_tail(record(RecordKind.POINT, subject))


def test_payloads_are_compact_and_the_same_every_time() -> None:
    """The order of keys is fixed, so that equal records are equal bytes."""
    item = record(RecordKind.POINT, "works.level", value=0.1 + 0.2, sequence=3)
    message = topics().now(item, "point/works/level")
    assert message.payload == (
        b'{"value":30.0,"unit":"cm","quality":"good","at":"2026-03-01T12:00:00.000000Z",'
        b'"not_before":"2026-03-01T11:59:59.000000Z","number":3,"journal":"5f0c"}'
    )


def test_tidying_keeps_every_decimal_of_fifteen_digits() -> None:
    """IEEE 754 binary64: any decimal of 15 significant digits survives the way through a double."""
    for figure in (0.1, 87.5, 123456789.012345, 999999999999999.0, 1e-9, -2.5):
        assert tidy(figure) == figure
    assert tidy(0.1 + 0.2) == 0.3
    assert tidy(True) is True
    assert tidy("up") == "up"
    assert tidy(None) is None
