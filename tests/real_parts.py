"""The real programs the tests run against, each on a free loopback port, stopped by its id.

A program that is not installed fails the test with one sentence; nothing is skipped.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

START_WITHIN_S = 20.0
STOP_WITHIN_S = 10.0
SETTLE_WITHIN_S = 30.0


def program(name: str, package: str) -> str:
    """Path of a system program.

    Args:
        name: as typed.
        package: the Debian package that has it.
    """
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/bin")
    if found is None:
        pytest.fail(f"this test runs against the real {name}: install the package {package}")
    return found


def free_port() -> int:
    """A loopback port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def until(condition: Callable[[], bool], what: str, limit_s: float = SETTLE_WITHIN_S) -> None:
    """Wait until a condition holds; fail, naming ``what`` was awaited, if it never does."""
    deadline = time.monotonic() + limit_s
    while not condition():
        if time.monotonic() > deadline:
            pytest.fail(f"waited {limit_s:g} s in vain for {what}")
        await asyncio.sleep(0.005)


class Server:
    """A program that listens on a port; it can be stopped, killed and started again."""

    def __init__(self, command: Sequence[str], port: int, log: Path) -> None:
        self.command = list(command)
        self.port = port
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """Its id, 0 while it does not run."""
        return 0 if self._process is None else self._process.pid

    def start(self) -> None:
        """Start it and wait until it listens."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self.command, stdout=log, stderr=log)
        deadline = time.monotonic() + START_WITHIN_S
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                break
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            time.sleep(0.01)
        self.stop()
        pytest.fail(f"{self.command[0]} does not listen:\n{self._log.read_text()[-2000:]}")

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End it by its id, and wait for the end."""
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        try:
            process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def kill(self) -> None:
        """End it without a chance to tidy up."""
        self.stop(signal.SIGKILL)


# --- mosquitto ------------------------------------------------------------------------------------


@dataclass
class BrokerOptions:
    """How the broker is set up.

    Args:
        users: names and passwords; without any, everybody may connect.
        access: lines of its access control file.
        certificate, key: PEM files that make it a TLS broker.
        lines: further lines of its configuration.
    """

    users: dict[str, str] = field(default_factory=dict)
    access: list[str] = field(default_factory=list)
    certificate: Path | None = None
    key: Path | None = None
    lines: list[str] = field(default_factory=list)


def mosquitto(directory: Path, options: BrokerOptions | None = None) -> Server:
    """A mosquitto broker, not yet started, that forgets everything when it ends."""
    options = options or BrokerOptions()
    directory.mkdir(parents=True, exist_ok=True)
    port = free_port()
    lines = [
        f"listener {port} 127.0.0.1",
        "persistence false",
        "max_queued_messages 100000",
        "max_inflight_messages 1000",
        f"allow_anonymous {'false' if options.users else 'true'}",
        "user root" if os.geteuid() == 0 else "",
        *options.lines,
    ]
    if options.users:
        passwords = directory / "passwords"
        passwords.touch()
        passwd = program("mosquitto_passwd", "mosquitto")
        for name, password in options.users.items():
            subprocess.run([passwd, "-b", str(passwords), name, password], check=True)
        lines.append(f"password_file {passwords}")
    if options.access:
        rules = directory / "access"
        rules.write_text("\n".join(options.access) + "\n")
        lines.append(f"acl_file {rules}")
    if options.certificate is not None:
        lines += [f"certfile {options.certificate}", f"keyfile {options.key}"]
    configuration = directory / "mosquitto.conf"
    configuration.write_text("\n".join(lines) + "\n")
    command = [program("mosquitto", "mosquitto"), "-c", str(configuration)]
    return Server(command, port, directory / "mosquitto.log")


@dataclass(frozen=True)
class Heard:
    """A message a subscriber got, empty if it was; ``retained`` as the broker flagged it."""

    topic: str
    retained: bool
    body: dict[str, Any]


class Listener:
    """What one ``mosquitto_sub`` heard so far, in order."""

    def __init__(self) -> None:
        self.heard: list[Heard] = []

    def numbers(self, part: str = "") -> list[int]:
        """Journal numbers heard on topics that contain ``part``."""
        return [m.body["number"] for m in self.heard if part in m.topic and "number" in m.body]

    async def _read(self, lines: asyncio.StreamReader) -> None:
        while line := await lines.readline():
            flag, topic, body = line.decode().rstrip("\n").split(" ", 2)
            if not topic.startswith("$"):
                self.heard.append(Heard(topic, flag == "1", json.loads(body or "{}")))


@contextlib.asynccontextmanager
async def listening(
    port: int,
    topic: str = "#",
    *options: str,
    as_published: bool = True,
    greeting: Sequence[str] | None = (),
) -> AsyncIterator[Listener]:
    """Subscribe with ``mosquitto_sub`` and MQTT 5; the subscription stands when this begins.

    Args:
        port: of the broker.
        topic: filter.
        options: more options for it.
        as_published: keep the retain flag of live messages.
        greeting: wait until a message of our own has come back, sent with these options (who may
            publish); None does not wait.
    """
    listener = Listener()
    subscribe = [program("mosquitto_sub", "mosquitto-clients"), "-V", "5", "-q", "1"]
    subscribe += ["-h", "127.0.0.1", "-p", str(port), "-t", topic, "-F", "%r %t %p", *options]
    if as_published:
        subscribe.append("--retain-as-published")
    process = await asyncio.create_subprocess_exec(
        *subscribe, "-t", "greeting", stdout=asyncio.subprocess.PIPE, limit=1 << 20
    )
    assert process.stdout is not None
    reading = asyncio.create_task(listener._read(process.stdout))
    try:
        if greeting is not None:
            await _greet(port, listener, greeting)
        yield listener
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()
        await reading


async def _greet(port: int, listener: Listener, options: Sequence[str]) -> None:
    publish = program("mosquitto_pub", "mosquitto-clients")
    for _ in range(100):
        greet = await asyncio.create_subprocess_exec(
            publish, "-h", "127.0.0.1", "-p", str(port), "-t", "greeting", "-m", "{}",
            *options,
        )  # fmt: skip
        await greet.wait()
        await asyncio.sleep(0.02)
        if any(message.topic == "greeting" for message in listener.heard):
            listener.heard = [m for m in listener.heard if m.topic != "greeting"]
            return
    pytest.fail("mosquitto_sub does not get what mosquitto_pub sends")


# --- victoria-metrics -----------------------------------------------------------------------------


def victoria_metrics(directory: Path, retention: str = "100y") -> Server:
    """A victoria-metrics store, not yet started."""
    directory.mkdir(parents=True, exist_ok=True)
    port = free_port()
    command = [
        program("victoria-metrics", "victoria-metrics"),
        f"-storageDataPath={directory / 'data'}",
        f"-httpListenAddr=127.0.0.1:{port}",
        f"-retentionPeriod={retention}",
        "-memory.allowedBytes=64MiB",
        "-loggerLevel=WARN",
    ]
    return Server(command, port, directory / "store.log")


@dataclass(frozen=True)
class Series:
    """One series of the store: labels, and figures by time in ms."""

    labels: dict[str, str]
    figures: list[tuple[int, float]]


def fetch(url: str) -> bytes:
    """GET a loopback URL."""
    with urllib.request.urlopen(url, timeout=10) as answer:  # noqa: S310 — loopback
        body: bytes = answer.read()
    return body


def stored_series(port: int, match: str = '{__name__!=""}') -> list[Series]:
    """Everything the store holds that matches, read back through its export call."""
    fetch(f"http://127.0.0.1:{port}/internal/force_flush")
    query = urllib.parse.urlencode({"match[]": match})
    body = fetch(f"http://127.0.0.1:{port}/api/v1/export?{query}").decode()
    found = []
    for line in body.splitlines():
        row = json.loads(line)
        figures = list(zip(row["timestamps"], row["values"], strict=True))
        found.append(Series(row["metric"], figures))
    return found


@contextlib.contextmanager
def running(server: Server) -> Iterator[Server]:
    """Start a server and end it afterwards."""
    server.start()
    try:
        yield server
    finally:
        server.stop()
