"""Mail as a real SMTP server takes it, read back by Python's ``email`` package.

Sources: RFC 5321 (SMTP), RFC 3207 (STARTTLS), RFC 5322 section 3.6 (Date, Message-ID), RFC 3834
section 5 (Auto-Submitted), RFC 2047 (words outside ASCII), RFC 1047 (a lost answer to the text).
"""

from __future__ import annotations

import http.server
import json
import socket
import threading
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

import pytest

from collector.core.notices.courier import Outcome
from collector.core.notices.wording import Text
from collector.notices.outlet import deliver
from collector.notices.settings import NoticesSettings
from tests.mail_server import MailServer, mail_server

TEXT = Text(
    "Osier Bend: HIGH Sump: Überlauf since 14:03", "Likely causes: rain – or a pump.\n.\nx\n"
)
NOON_US = int(datetime(2026, 3, 1, 12, tzinfo=UTC).timestamp()) * 1_000_000


def sent(server: MailServer, settings: NoticesSettings | None = None) -> Outcome:
    """Deliver ``TEXT`` to the warden."""
    return deliver(settings or server.settings(), "warden_mail", "id1.jf00", TEXT, NOON_US)


def test_a_mail_arrives_as_it_was_meant(tmp_path: Path) -> None:
    """Over STARTTLS and with a password: headers, envelope and text, dots and umlauts included."""
    with mail_server(tmp_path) as server:
        assert sent(server) == Outcome(True)
        (mail,) = server.mailbox.received
    assert server.mailbox.envelopes == [
        ("weirkeeper@osierbend.example", ["warden@osierbend.example"])
    ]
    assert mail["Subject"] == TEXT.subject
    assert (mail["From"], mail["To"]) == (
        "weirkeeper@osierbend.example", "warden@osierbend.example",
    )  # fmt: skip
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Message-ID"] == "<id1.jf00@osierbend.example>"
    assert parsedate_to_datetime(mail["Date"]) == datetime(2026, 3, 1, 12, tzinfo=UTC)
    assert mail.get_content().replace("\r\n", "\n") == TEXT.whole  # line ends of SMTP
    assert mail.get_content_type() == "text/plain"


def test_a_second_attempt_has_the_same_message_id(tmp_path: Path) -> None:
    """So whoever reads both can tell them for one."""
    with mail_server(tmp_path) as server:
        sent(server)
        sent(server)
        first, second = server.mailbox.received
    assert first["Message-ID"] == second["Message-ID"]


def test_a_server_with_a_foreign_certificate_gets_nothing(tmp_path: Path) -> None:
    """Neither one signed by nobody we trust nor one of another name sees a password."""
    with mail_server(tmp_path) as server:
        (tmp_path / "other").mkdir()
        other = MailServer(tmp_path / "other")
        untrusted = sent(server, server.settings(mail_authority_file=str(other.authority)))
    with mail_server(tmp_path, "mail.osierbend.example") as server:
        misnamed = sent(server)
    for outcome in (untrusted, misnamed):
        assert not outcome.arrived
        assert outcome.why.startswith("no secure connection to 127.0.0.1:")
    assert server.mailbox.received == []


def test_a_server_without_starttls_gets_nothing_unless_it_is_allowed(tmp_path: Path) -> None:
    """The default is to speak over TLS or not at all."""
    with mail_server(tmp_path, starttls=False) as server:
        outcome = sent(server)
        assert not outcome.arrived
        assert "mail_security" in outcome.why
        assert server.mailbox.received == []
        plain = {"mail_security": "none", "mail_user": None, "mail_password": None}
        assert sent(server, server.settings(**plain)).arrived


def test_a_wrong_password_is_said_without_the_password(tmp_path: Path) -> None:
    """One sentence that says what to put right."""
    with mail_server(tmp_path) as server:
        outcome = sent(server, server.settings(mail_password="wrong-secret"))
    assert outcome == Outcome(False, f"127.0.0.1:{server.port} refuses our user or password")


def test_nobody_there_and_a_refusal_are_certain_and_a_lost_answer_is_not(tmp_path: Path) -> None:
    """Only after the text has gone out is it open whether the mail arrived."""
    server = MailServer(tmp_path)
    away = sent(server)
    assert (away.arrived, away.uncertain) == (False, False)
    assert away.why.startswith(f"no answer from 127.0.0.1:{server.port}")
    with mail_server(tmp_path) as server:
        server.mailbox.answer = "452 mailbox full"
        refused = sent(server)
        assert (refused.arrived, refused.uncertain) == (False, False)
        assert refused.why == f"127.0.0.1:{server.port} refuses it: 452 mailbox full"
        server.mailbox.answer = "drop"
        lost = sent(server)
        assert (lost.arrived, lost.uncertain) == (False, True)
        assert len(server.mailbox.received) == 1


def test_another_way_gets_the_whole_text() -> None:
    """A service reached over HTTP through the library, here a real loopback server."""
    heard: list[bytes] = []

    class Service(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            heard.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *words: object) -> None: ...

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Service) as service:
        thread = threading.Thread(target=service.serve_forever, daemon=True)
        thread.start()
        url = f"json://127.0.0.1:{service.server_port}/notices"
        settings = NoticesSettings.model_validate(
            {
                "ways": {"phone": url}, "people": {"warden": {"ways": ["phone"]}},
                "turns": [{"people": ["warden"]}], "fallback": "warden",
            }
        )  # fmt: skip
        outcome = deliver(settings, "phone", "id", TEXT, NOON_US)
        service.shutdown()
        thread.join()
        assert outcome == Outcome(True)
        assert json.loads(heard[0])["message"].startswith(TEXT.subject)
    assert "did not take it" in deliver(settings, "phone", "id", TEXT, NOON_US).why


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_silent_server_is_given_up_in_time(security: str, tmp_path: Path) -> None:
    """A port that takes connections and says nothing holds nobody up."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        server = MailServer(tmp_path)
        server.port = silent.getsockname()[1]
        settings = server.settings(mail_timeout_s=0.5, mail_security=security)
        outcome = sent(server, settings)
    assert (outcome.arrived, outcome.uncertain) == (False, False)
