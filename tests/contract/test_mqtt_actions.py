"""What people say over a real broker: each under the broker's name for them, and nobody else's.

The broker has a password file and an access list of one pattern line for all users, the form of
mosquitto.conf(5) and its access control file ("pattern write ...", %u is the user name).
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from collector.core.alarms.action_form import LARGEST_BYTES
from collector.core.records import ActionTaken
from collector.outlets.hearing import MOST_OF_ONE
from tests.contract.outlet_parts import QUICK, Ledger, at_work, ledger, secret, state_is
from tests.real_parts import BrokerOptions, Listener, listening, mosquitto, program, running, until

TRUNK = "weirkeeper/osier_bend"
USERS = {"collector": "c", "warden": "w", "visitor": "v"}
ACCESS = [
    "user collector",
    "topic readwrite weirkeeper/#",
    "pattern write weirkeeper/+/action/%u",
    "pattern read weirkeeper/+/answer/%u",
    "topic readwrite greeting",
]


class Site:
    """A broker with an outlet that hears; what it takes is answered at once.

    Attributes:
        taken: what it took.
    """

    def __init__(self, port: int, book: Ledger, **settings: object) -> None:
        self.port = port
        self.taken: list[ActionTaken] = []
        self.outlet = book.mqtt(
            port, QUICK, self._take, user="collector", password=secret("c"),
            **{"actions": True, **settings},
        )  # fmt: skip

    def _take(self, action: ActionTaken) -> None:
        self.taken.append(action)
        refused = "" if action.about == "sump.high_level" else "there is no such alarm"
        self.outlet.answer(action, refused, len(self.taken))

    async def say(self, topic: str, payload: object, user: str | None, *more: str) -> str:
        """Publish as somebody; what ``mosquitto_pub`` has to say of it."""
        known = [] if user is None else ["-u", user, "-P", USERS[user]]
        text = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        process = await asyncio.create_subprocess_exec(
            program("mosquitto_pub", "mosquitto-clients"), "-V", "5", "-q", "1",
            "-h", "127.0.0.1", "-p", str(self.port), "-t", f"{TRUNK}/{topic}", "-s", *known, *more,
            stdin=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        said, _ = await process.communicate(text)
        return said.decode()


def body(**more: object) -> dict[str, object]:
    """An acknowledgement; who speaks is known from the topic."""
    return {
        "id": "a1", "verb": "acknowledge", "about": "sump.high_level",
        "said": "2026-07-02T07:00:00+01:00", **more,
    }  # fmt: skip


@asynccontextmanager
async def site(folder: Path, **settings: object) -> AsyncIterator[tuple[Site, Listener]]:
    """A broker that knows three users, an outlet at work, and what is heard of its answers."""
    server = mosquitto(folder / "broker", BrokerOptions(users=USERS, access=ACCESS))
    known = ("-u", "collector", "-P", "c")
    with running(server), ledger(folder / "journal") as book:
        here = Site(server.port, book, **settings)
        async with (
            listening(server.port, f"{TRUNK}/answer/+", *known, greeting=known) as listener,
            at_work(here.outlet),
        ):
            await state_is(here.outlet, "delivering")
            yield here, listener


def answers(listener: Listener) -> list[tuple[str, str, str, str]]:
    """To whom, of which action, and what, in the order in which they were heard."""
    return [
        (m.topic.rpartition("/")[2], str(m.body["id"]), m.body["outcome"], m.body.get("why", ""))
        for m in listener.heard
        if "/answer/" in m.topic
    ]


async def answered(listener: Listener, count: int) -> list[tuple[str, str, str, str]]:
    """Wait for a number of answers."""
    await until(lambda: len(answers(listener)) >= count, f"{count} answers; {answers(listener)}")
    return answers(listener)


async def test_a_user_acts_under_the_name_the_broker_knows_and_is_answered(tmp_path: Path) -> None:
    """Accepted with the number of its record, or refused with the reason."""
    async with site(tmp_path) as (here, listener):
        assert await here.say("action/warden", body(), "warden") == ""
        await answered(listener, 1)
        await here.say("action/warden", body(id="a2", about="sump.x"), "warden")
        assert await answered(listener, 2) == [
            ("warden", "a1", "accepted", ""),
            ("warden", "a2", "refused", "there is no such alarm"),
        ]
    assert [(taken.actor, taken.details["way"]) for taken in here.taken] == [("warden", "mqtt")] * 2
    first = next(message for message in listener.heard if "/answer/" in message.topic)
    assert first.body["number"] == 1
    assert not first.retained


async def test_nobody_can_speak_as_somebody_else_nor_without_a_name(tmp_path: Path) -> None:
    """Neither by the topic, which the broker's access list binds to the user, nor in the text."""
    async with site(tmp_path) as (here, listener):
        # MQTT 5.0, 3.4.2.1: 0x87, not authorised; 3.2.2.2 for who is not known at all.
        stolen = await here.say("action/warden", body(id="stolen"), "visitor")
        nameless = await here.say("action/warden", body(id="nameless"), None)
        assert "not authori" in stolen.lower()
        assert "not authori" in nameless.lower()
        await here.say("action/visitor", body(id="claimed", by="warden"), "visitor")
        await here.say("action/visitor", body(id="own"), "visitor")
        assert await answered(listener, 2) == [
            ("visitor", "claimed", "refused", "found 'by', which is known from how it came"),
            ("visitor", "own", "accepted", ""),
        ]
    assert [taken.details["id"] for taken in here.taken] == ["own"]


async def test_what_is_no_action_is_refused_with_the_reason(tmp_path: Path) -> None:
    """Malformed, retained or too large; the next good one is taken."""
    wrong: list[tuple[object, tuple[str, ...], str]] = [
        (b"\xff", (), "not UTF-8"),
        ([], (), "found a list"),
        (body(id="typo", verb="acknowlege"), (), "did you mean 'acknowledge'"),
        (body(id="kept"), ("-r",), "found a retained message"),
        (b"x" * (LARGEST_BYTES + 1), (), f"expected at most {LARGEST_BYTES}"),
    ]
    async with site(tmp_path) as (here, listener):
        for number, (payload, more, why) in enumerate(wrong, 1):
            await here.say("action/warden", payload, "warden", *more)
            assert why in (await answered(listener, number))[-1][3]
        await here.say("action/warden", b"x" * 100_000, "warden")  # the broker keeps it from us
        await here.say("action/warden", body(id="good"), "warden")
        assert (await answered(listener, len(wrong) + 1))[-1][1:3] == ("good", "accepted")
    assert [taken.details["id"] for taken in here.taken] == ["good"]


async def test_what_was_retained_before_is_never_taken(tmp_path: Path) -> None:
    """MQTT 5.0, 3.8.3.1, Retain Handling 2: nothing retained is sent at the subscription."""
    server = mosquitto(tmp_path / "broker", BrokerOptions(users=USERS, access=ACCESS))
    with running(server), ledger(tmp_path / "journal") as book:
        here = Site(server.port, book)
        await here.say("action/warden", body(id="old"), "warden", "-r")
        known = ("-u", "collector", "-P", "c")
        async with (
            listening(server.port, f"{TRUNK}/answer/+", *known, greeting=known) as listener,
            at_work(here.outlet),
        ):
            await state_is(here.outlet, "delivering")
            await here.say("action/warden", body(id="new"), "warden")
            assert [each[1] for each in await answered(listener, 1)] == ["new"]


async def test_who_says_too_much_is_not_heard_for_a_while(tmp_path: Path) -> None:
    """The others are."""
    async with site(tmp_path) as (here, listener):
        for number in range(MOST_OF_ONE + 3):
            await here.say("action/visitor", body(id=f"v{number}"), "visitor")
        await here.say("action/warden", body(id="w"), "warden")
        heard = await answered(listener, MOST_OF_ONE + 1)
    assert heard[-1][:2] == ("warden", "w")
    assert len(here.taken) == MOST_OF_ONE + 1


async def test_where_it_is_switched_off_nobody_is_heard(tmp_path: Path) -> None:
    """The broker knows no subscriber: MQTT 5.0, 3.4.2.1, reason 0x10."""
    async with site(tmp_path, actions=False) as (here, listener):
        await here.say("action/warden", body(), "warden")
        async with listening(
            here.port, f"{TRUNK}/action/+", "-u", "collector", "-P", "c",
            greeting=("-u", "collector", "-P", "c"),
        ) as witness:  # fmt: skip
            await here.say("action/warden", body(), "warden")
            await until(lambda: len(witness.heard) == 1, "the broker to hand it on")
    assert here.taken == []
    assert answers(listener) == []
