"""The broker configuration that ships, really started: TLS, names, and nobody beyond their topics.

Only paths, port and the user it runs as are changed; mosquitto itself judges the rest, with the
clients of its own package and our outlet.
"""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from collector.core.records import ActionTaken, Quality, Record, RecordKind
from tests.certificates import Authority
from tests.contract.outlet_parts import QUICK, all_delivered, at_work, ledger, secret, state_is
from tests.real_parts import Server, free_port, program, running, until

EXAMPLE = Path(__file__).parents[2] / "deploy" / "broker"
USERS = {"osier_bend": "o", "willow_camp": "w", "engineer": "e", "warden": "a"}


@dataclass(frozen=True)
class Site:
    """The broker, and what its clients need."""

    port: int
    authority: Path

    def options(self, user: str | None) -> list[str]:
        known = [] if user is None else ["-u", user, "-P", USERS[user]]
        return ["-h", "127.0.0.1", "-p", str(self.port), "-V", "5", "-q", "1",
                "--cafile", str(self.authority), *known]  # fmt: skip

    async def publish(self, user: str | None, topic: str, text: str = "{}") -> str:
        """What ``mosquitto_pub`` has to say; nothing where all is well."""
        said = await asyncio.create_subprocess_exec(
            program("mosquitto_pub", "mosquitto-clients"), *self.options(user), "-t", topic,
            "-m", text, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
        )  # fmt: skip
        return (await said.communicate())[0].decode()

    async def hear(self, user: str, topic: str, count: int, for_s: float = 3.0) -> list[str]:
        """Topics of what somebody hears of a filter, until so many have come or time is up."""
        hearing = await asyncio.create_subprocess_exec(
            program("mosquitto_sub", "mosquitto-clients"), *self.options(user), "-t", topic,
            "-F", "%t", "-C", str(count), "-W", str(int(for_s)),
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        return (await hearing.communicate())[0].decode().split()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """The example as it ships, with other paths."""
    folder = tmp_path_factory.mktemp("broker")
    authority = Authority.make(folder, "authority")
    certificate, key = authority.sign("127.0.0.1")
    users = folder / "users"
    users.touch()
    for name, password in USERS.items():
        subprocess.run(
            [program("mosquitto_passwd", "mosquitto"), "-b", users, name, password], check=True
        )
    port = free_port()
    text = (EXAMPLE / "mosquitto.conf").read_text()
    for shipped, here in {
        "listener 8883": f"listener {port} 127.0.0.1",
        "/etc/mosquitto/weirkeeper/authority.crt": str(authority.file),
        "/etc/mosquitto/weirkeeper/broker.crt": str(certificate),
        "/etc/mosquitto/weirkeeper/broker.key": str(key),
        "/etc/mosquitto/weirkeeper/users": str(users),
        "/etc/mosquitto/weirkeeper/access": str(EXAMPLE / "access"),
        "/var/lib/mosquitto/": f"{folder}/",
    }.items():
        assert len(re.findall(re.escape(shipped) + r"$", text, re.MULTILINE)) == 1, shipped
        text = re.sub(re.escape(shipped) + "$", here, text, flags=re.MULTILINE)
    if os.geteuid() == 0:
        text += "user root\n"
    configuration = folder / "mosquitto.conf"
    configuration.write_text(text)
    command = [program("mosquitto", "mosquitto"), "-c", str(configuration)]
    with running(Server(command, port, folder / "broker.log")):
        yield Site(port, authority.file)


async def test_a_collector_delivers_and_hears_what_people_do_at_its_plant(
    site: Site, tmp_path: Path
) -> None:
    """Each kind of topic it publishes reaches the engineer; the warden's action reaches it."""
    taken: list[ActionTaken] = []
    with ledger(tmp_path / "journal") as book:
        outlet = book.mqtt(
            site.port, QUICK, taken.append, tls=True,
            authority_file=str(site.authority), user="osier_bend", password=secret("o"),
            actions=True,
        )  # fmt: skip
        async with at_work(outlet):
            await state_is(outlet, "delivering")
            hearing = asyncio.create_task(site.hear("engineer", "weirkeeper/osier_bend/#", 4, 8))
            await asyncio.sleep(0.5)
            now_us = book.clock.wall_us()
            book.write(
                [
                    Record(RecordKind.POINT, "works.high", now_us, now_us, now_us, True),
                    Record(RecordKind.EVENT, "sump.float_high_made", now_us, now_us, now_us),
                    Record(
                        RecordKind.TOTAL, "pump_1.run_hours.day", now_us, now_us, now_us, 3600.0,
                        Quality.GOOD, "recomputed",
                    ),
                ],
                outlet,
            )  # fmt: skip
            await all_delivered(book, outlet)
            assert await site.publish(
                "warden", "weirkeeper/osier_bend/action/warden",
                '{"id": "a1", "verb": "acknowledge", "about": "sump.high_level",'
                ' "said": "2026-07-02T07:00:00+01:00"}',
            ) == ""  # fmt: skip
            await until(lambda: bool(taken), "the warden's action")
            heard = await hearing
    assert taken[0].actor == "warden"
    kinds = {topic.split("/")[2] for topic in heard}
    assert {"now", "event"} <= kinds


async def test_nobody_gets_beyond_their_own_topics(site: Site) -> None:
    """Not a collector to its neighbour's plant, not the warden as somebody else, not a stranger.

    MQTT 5.0, 3.4.2.1: 0x87 is "Not authorized" in PUBACK; 3.2.2.2: connections too are refused.
    """
    refused = [
        ("willow_camp", "weirkeeper/osier_bend/now/point/works/high"),
        ("willow_camp", "weirkeeper/osier_bend/action/willow_camp"),
        ("warden", "weirkeeper/osier_bend/action/engineer"),
        ("warden", "weirkeeper/osier_bend/now/point/works/high"),
        ("engineer", "weirkeeper/willow_camp/action/engineer"),
    ]
    for user, topic in refused:
        assert "uthori" in await site.publish(user, topic), (user, topic)
    assert "uthori" in await site.publish(None, "weirkeeper/osier_bend/now/point/works/high")
    hearing = asyncio.create_task(site.hear("willow_camp", "#", 1, 3))
    await asyncio.sleep(0.5)
    await site.publish("osier_bend", "weirkeeper/osier_bend/event/clock")
    assert await hearing == [], "what is of one plant is not heard by another"


async def test_without_tls_nothing_is_said(site: Site) -> None:
    """A client that speaks in the clear gets no answer it could use."""
    said = await asyncio.create_subprocess_exec(
        program("mosquitto_pub", "mosquitto-clients"), "-h", "127.0.0.1", "-p", str(site.port),
        "-u", "osier_bend", "-P", "o", "-t", "weirkeeper/osier_bend/collector", "-m", "{}",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    await asyncio.wait_for(said.communicate(), 10)
    assert said.returncode != 0
