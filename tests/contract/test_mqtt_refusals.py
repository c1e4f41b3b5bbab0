"""The MQTT outlet when the broker says no, says nothing, or answers in a strange order."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import gc
import ipaddress
import os
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from collector.core.records import RecordKind
from tests.contract.outlet_parts import QUICK, all_delivered, at_work, ledger, secret, state_is
from tests.outlet_samples import NOON_US, busy_records, record
from tests.real_parts import BrokerOptions, free_port, listening, mosquitto, running, until

USERS = {"collector": "osier", "reader": "willow"}
READER = ("-u", "reader", "-P", "willow")
COLLECTOR = ("-u", "collector", "-P", "osier")


async def test_wrong_credentials_hold_the_outlet_and_right_ones_free_it(tmp_path: Path) -> None:
    """MQTT 5.0, 3.2.2.2: 0x87 or 0x86 is told in words, retried slowly, and loses nothing."""
    broker = mosquitto(tmp_path / "broker", BrokerOptions(users=USERS))
    with running(broker), ledger(tmp_path / "journal") as book:
        book.write(busy_records(20))
        wrong = book.mqtt(broker.port, user="collector", password=secret("weir"))
        async with at_work(wrong):
            status = await state_is(wrong, "held")
            assert status.sentence == f"127.0.0.1:{broker.port} refuses us: Not authorized"
            assert status.delivered == 0
            assert "weir" not in status.sentence
        right = book.mqtt(broker.port, user="collector", password=secret("osier"))
        async with (
            listening(broker.port, "#", *READER, greeting=COLLECTOR) as sub,
            at_work(right),
        ):
            await all_delivered(book, right)
            await until(lambda: {*sub.numbers()} == {*range(1, 21)}, "all records")


async def test_a_topic_the_broker_denies_goes_to_quarantine_and_the_rest_arrives(
    tmp_path: Path,
) -> None:
    """MQTT 5.0, 3.4.2.1: a PUBACK of 0x87 is no delivery; with others of its sort taken, the one
    refused again and again is put aside, counted, and blocks nothing."""
    rules = [
        "user collector",
        "topic write weirkeeper/osier_bend/#",
        "topic deny weirkeeper/osier_bend/event/equipment/pump_1/forbidden",
        "user reader",
        "topic read #",
    ]
    broker = mosquitto(tmp_path / "broker", BrokerOptions(users=USERS, access=rules))
    with running(broker), ledger(tmp_path / "journal") as book:
        outlet = book.mqtt(broker.port, user="collector", password=secret("osier"))
        async with listening(broker.port, "#", *READER, greeting=None) as sub, at_work(outlet):
            await state_is(outlet, "delivering")
            await until(lambda: bool(sub.heard), "the subscription")
            records = busy_records(12)
            records[5] = record(RecordKind.EVENT, "pump_1.forbidden", records[5].at_us)
            book.write(records, outlet)
            await all_delivered(book, outlet)
            await until(lambda: len({*sub.numbers()}) == 11, "the others")
            assert {*sub.numbers()} == {*range(1, 13)} - {6}
            status = outlet.status()
            assert (status.refused, status.state) == (1, "delivering")
            assert status.retried >= 3
    with ledger(tmp_path / "journal") as book:
        (row,) = book.reader.quarantined("mqtt", 10)
        assert row.sequence == 6
        assert row.why == (
            "the broker refuses weirkeeper/osier_bend/event/equipment/pump_1/forbidden: "
            "Not authorized"
        )


async def test_a_broker_that_denies_everything_holds_and_gives_nothing_up(tmp_path: Path) -> None:
    """If no message is taken the fault is not the messages': the cursor stands, nothing goes to
    quarantine, and the sentence names the topic and the reason."""
    rules = ["user collector", "topic write elsewhere/#"]
    broker = mosquitto(tmp_path / "broker", BrokerOptions(users=USERS, access=rules))
    with running(broker), ledger(tmp_path / "journal") as book:
        outlet = book.mqtt(broker.port, user="collector", password=secret("osier"))
        async with at_work(outlet):
            await state_is(outlet, "delivering")
            book.write(busy_records(10), outlet)
            await until(lambda: outlet.status().retried >= 30, "several attempts")
            status = outlet.status()
            assert status.state == "held"
            assert "refuses weirkeeper/osier_bend/" in status.sentence
            assert status.sentence.endswith("Not authorized")
            assert (status.delivered, status.refused, status.behind) == (0, 0, 10)
        assert book.delivered("mqtt") == 0


# --- TLS ------------------------------------------------------------------------------------------


def certificate(directory: Path) -> tuple[Path, Path]:
    """A self-signed certificate for 127.0.0.1, its own authority, and its key (PEM)."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "osier bend broker")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=2))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]),
            critical=False,
        )
        .sign(key, hashes.SHA256())
    )
    directory.mkdir(parents=True, exist_ok=True)
    public, private = directory / "certificate.pem", directory / "key.pem"
    public.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    private.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return public, private


@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
@pytest.mark.filterwarnings("ignore:unclosed <socket.socket:ResourceWarning")
async def test_tls_delivers_to_the_broker_it_trusts_and_to_no_other(tmp_path: Path) -> None:
    """With the authority's file records arrive; with another one the outlet is held, in words."""
    public, private = certificate(tmp_path / "right")
    stranger, _ = certificate(tmp_path / "wrong")
    broker = mosquitto(tmp_path / "broker", BrokerOptions(certificate=public, key=private))
    with running(broker), ledger(tmp_path / "journal") as book:
        head = book.write(busy_records(20))
        wrong = book.mqtt(broker.port, tls=True, authority_file=stranger)
        async with at_work(wrong):
            status = await state_is(wrong, "held")
            assert "certificate is not trusted" in status.sentence
            assert book.delivered("mqtt") == 0
        missing = book.mqtt(broker.port, tls=True, authority_file=tmp_path / "none.pem")
        async with at_work(missing):
            status = await state_is(missing, "held")
            assert "none.pem: No such file or directory" in status.sentence
        right = book.mqtt(broker.port, tls=True, authority_file=public)
        async with at_work(right):
            await all_delivered(book, right)
        assert book.delivered("mqtt") == head
    # The client library leaves the sockets of a failed handshake to the garbage collection.
    await until(lambda: not [t for t in threading.enumerate() if "paho" in t.name], "their end")
    gc.collect()


# --- a broker of our own, for what a real one does not do on demand -------------------------------


@dataclass
class Strange:
    """A broker that follows a script; it knows just enough of MQTT 5.0 for our client.

    Args:
        answer: for a packet identifier, its PUBACK reason code, or None to stay silent.
        backwards: acknowledge in bunches of so many, last first; our presence, which is the first
            message, is acknowledged at once.
        properties: of its CONNACK.
    """

    answer: Callable[[int], int | None] = lambda _: 0
    backwards: int = 1
    properties: bytes = b""
    connections: int = 0
    topics: list[str] = field(default_factory=list)
    most_open: int = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        held: list[bytes] = []
        try:
            while True:
                kind, body = await self._packet(reader)
                if kind >> 4 == 1:  # CONNECT
                    variable = b"\x00\x00" + bytes([len(self.properties)]) + self.properties
                    writer.write(b"\x20" + bytes([len(variable)]) + variable)
                elif kind >> 4 == 3:  # PUBLISH
                    size = int.from_bytes(body[:2])
                    self.topics.append(body[2 : 2 + size].decode())
                    identifier = int.from_bytes(body[2 + size : 4 + size])
                    code = self.answer(identifier)
                    if code is not None:
                        held.append(b"\x40\x03" + identifier.to_bytes(2) + bytes([code]))
                        self.most_open = max(self.most_open, len(held))
                    if len(held) >= self.backwards or identifier == 1:
                        writer.write(b"".join(reversed(held)))
                        held.clear()
                elif kind >> 4 == 14:  # DISCONNECT
                    break
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()

    @staticmethod
    async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
        kind = (await reader.readexactly(1))[0]
        length, shift = 0, 0
        while True:
            byte = (await reader.readexactly(1))[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return kind, await reader.readexactly(length)


@contextlib.asynccontextmanager
async def strange_broker(strange: Strange) -> AsyncIterator[int]:
    """Serve it; its port."""
    server = await asyncio.start_server(strange.serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await server.wait_closed()


async def test_a_silent_broker_is_given_up_and_nothing_counts_as_delivered(tmp_path: Path) -> None:
    """A connection on which acknowledgements stop is closed and made anew (half-open link, dead
    network thread); the records go again."""
    strange = Strange(answer=lambda identifier: 0 if identifier == 1 else None)
    with ledger(tmp_path / "journal") as book:
        async with strange_broker(strange) as port:
            outlet = book.mqtt(port, replace(QUICK, answer_s=0.1))
            async with at_work(outlet):
                book.write(busy_records(10), outlet)
                await until(lambda: strange.connections >= 3, "new connections")
                assert outlet.status().delivered == 0
                strange.answer = lambda _: 0
                await all_delivered(book, outlet)


async def test_acknowledgements_in_any_order_confirm_just_what_they_name(tmp_path: Path) -> None:
    """The cursor follows contiguous acknowledgements, whatever order they come in."""
    strange = Strange(backwards=7)
    with ledger(tmp_path / "journal") as book:
        async with strange_broker(strange) as port:
            outlet = book.mqtt(port, window=50)
            async with at_work(outlet):
                await state_is(outlet, "delivering")
                book.write([record(RecordKind.EVENT, "pump_1.started")] * 14, outlet)
                await until(lambda: outlet.status().delivered == 14, "all receipts")
                assert len(strange.topics) == 15


async def test_a_temporary_refusal_is_retried_in_order(tmp_path: Path) -> None:
    """0x97, quota exceeded, passes: the record and all after it are sent again, in order."""
    refused: list[int] = []

    def answer(identifier: int) -> int:
        if identifier % 7 == 4 and len(refused) < 6:
            refused.append(identifier)
            return 0x97
        return 0

    strange = Strange(answer=answer)
    with ledger(tmp_path / "journal") as book:
        async with strange_broker(strange) as port:
            outlet = book.mqtt(port)
            async with at_work(outlet):
                await state_is(outlet, "delivering")
                names = [f"pump_1.step_{index}" for index in range(20)]
                book.write([record(RecordKind.EVENT, name) for name in names], outlet)
                await all_delivered(book, outlet)
            assert outlet.status().refused == 0
            assert outlet.status().retried >= 6
            steps = [int(t.rpartition("_")[2]) for t in strange.topics if "step_" in t]
            assert {*steps} == {*range(20)}
            assert all(later - earlier <= 1 for earlier, later in pairwise(steps))


async def test_a_message_that_can_never_be_valid_is_put_aside_at_once(tmp_path: Path) -> None:
    """0x99, payload format invalid: no retry helps; the rest is delivered."""
    strange = Strange(answer=lambda identifier: 0x99 if identifier == 5 else 0)
    with ledger(tmp_path / "journal") as book:
        async with strange_broker(strange) as port:
            outlet = book.mqtt(port)
            async with at_work(outlet):
                await state_is(outlet, "delivering")
                book.write([record(RecordKind.EVENT, "pump_1.started")] * 9, outlet)
                await all_delivered(book, outlet)
                assert outlet.status().refused == 1
                assert len(book.reader.quarantined("mqtt", 9)) == 1


async def test_the_limits_a_broker_names_are_kept(tmp_path: Path) -> None:
    """MQTT 5.0, 3.2.2.3: Receive Maximum bounds the window, Maximum Packet Size the packets; what
    is larger than the broker takes goes to quarantine instead of ending the connection."""
    receive_maximum = b"\x21" + (5).to_bytes(2)
    largest_packet = b"\x27" + (400).to_bytes(4)
    strange = Strange(properties=receive_maximum + largest_packet, backwards=5)
    with ledger(tmp_path / "journal") as book:
        async with strange_broker(strange) as port:
            outlet = book.mqtt(port, window=100)
            async with at_work(outlet):
                await state_is(outlet, "delivering")
                long = record(RecordKind.EVENT, "pump_1.started", reason="x" * 300)
                short = record(RecordKind.EVENT, "pump_1.started")
                book.write([*[short] * 10, long], outlet)
                await until(lambda: outlet.status().delivered == 11, "delivery in fives")
            assert strange.most_open == 5
            assert outlet.status().refused == 1
    with ledger(tmp_path / "journal") as book:
        (row,) = book.reader.quarantined("mqtt", 9)
        assert "takes packets of at most 400" in row.why


@pytest.mark.parametrize(
    ("properties", "sentence"),
    [(b"\x24\x00", "the broker offers no QoS 1, so it cannot confirm anything")],
)
async def test_a_broker_without_confirmation_is_no_outlet(
    tmp_path: Path, properties: bytes, sentence: str
) -> None:
    """MQTT 5.0, 3.2.2.3.4: Maximum QoS 0 means that nothing can be confirmed."""
    with ledger(tmp_path / "journal") as book:
        async with strange_broker(Strange(properties=properties)) as port:
            outlet = book.mqtt(port)
            async with at_work(outlet):
                assert (await state_is(outlet, "held")).sentence == sentence


# --- death ----------------------------------------------------------------------------------------

DIES_BEFORE_THE_CURSOR = """
import asyncio, os, sys
from pathlib import Path
from tests.contract.outlet_parts import ledger

async def deliver():
    with ledger(Path(sys.argv[1])) as book:
        book.journal.move_cursor = lambda *_: os._exit(9)
        await book.mqtt(int(sys.argv[2])).run()

asyncio.run(deliver())
"""


async def test_a_death_between_publishing_and_the_cursor_repeats_the_same_numbers(
    tmp_path: Path,
) -> None:
    """Killed after the broker confirmed and before the cursor is kept: the records come again with
    the same number and journal, so a consumer drops them; the broker says ``lost`` meanwhile."""
    broker = mosquitto(tmp_path / "broker")
    path = tmp_path / "journal"
    with ledger(path) as book:
        book.write([record(RecordKind.EVENT, "pump_1.started", NOON_US)] * 5)
    with running(broker):
        async with listening(broker.port) as sub:
            child = await asyncio.create_subprocess_exec(
                sys.executable, "-c", DIES_BEFORE_THE_CURSOR, str(path), str(broker.port),
                env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
                stdout=subprocess.DEVNULL,
            )  # fmt: skip
            assert await child.wait() == 9
            with ledger(path) as book:
                assert book.delivered("mqtt") == 0
                outlet = book.mqtt(broker.port)
                async with at_work(outlet):
                    await all_delivered(book, outlet)
            await until(lambda: sub.heard[-1].body.get("state") == "stopped", "the farewell")
    seen = [(m.body["journal"], m.body["number"]) for m in sub.heard if "number" in m.body]
    assert len(seen) >= 6
    assert len({*seen}) == 5
    assert [m.body["state"] for m in sub.heard if "state" in m.body][:2] == ["present", "lost"]


async def test_a_stop_while_nothing_answers_does_not_wait_for_it(tmp_path: Path) -> None:
    """``stop`` returns with the cursor handed over, whatever the connection is doing."""
    with ledger(tmp_path / "journal") as book:
        silent = Strange(answer=lambda _: None)
        async with strange_broker(silent) as port:
            outlet = book.mqtt(port)
            async with at_work(outlet):
                book.write(busy_records(3), outlet)
                await until(lambda: len(silent.topics) >= 1, "a message")
            assert outlet.status().state == "stopped"
        nobody = book.mqtt(free_port())
        async with at_work(nobody):
            await state_is(nobody, "unreachable")
        never_run = book.mqtt(free_port())
        await never_run.stop()
