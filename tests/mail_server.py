"""A real SMTP server (aiosmtpd) on a loopback port, with STARTTLS and a password, in its thread."""

from __future__ import annotations

import contextlib
import email
import email.policy
import ssl
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

from collector.notices.settings import NoticesSettings
from tests.certificates import Authority
from tests.real_parts import free_port

USER, PASSWORD = "weir", "correct-horse-battery-staple"


class Mailbox:
    """Takes mail, or does what a test wants instead.

    Attributes:
        received: mail taken, as the ``email`` package reads it.
        envelopes: sender and recipients of each.
        answer: given to the text instead of taking it; ``drop`` hangs up after having taken it.
    """

    def __init__(self) -> None:
        self.received: list[EmailMessage] = []
        self.envelopes: list[tuple[str, list[str]]] = []
        self.answer = ""

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        """The text of a mail has come."""
        if self.answer and self.answer != "drop":
            return self.answer
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        self.received.append(message)
        self.envelopes.append((envelope.mail_from, list(envelope.rcpt_tos)))
        if self.answer == "drop":
            server.transport.abort()
        return "250 taken"


def _authenticate(_server: Any, _session: Any, _envelope: Any, _how: str, data: Any) -> AuthResult:
    right = isinstance(data, LoginPassword) and (data.login, data.password) == (
        USER.encode(), PASSWORD.encode(),
    )  # fmt: skip
    return AuthResult(success=right, handled=False)


class MailServer:
    """The server, which can be away for a while, always on the same port.

    Args:
        folder: for its certificate.
        name: host name in the certificate.
        starttls: whether it offers STARTTLS, and takes nothing without.
    """

    def __init__(self, folder: Path, name: str = "127.0.0.1", *, starttls: bool = True) -> None:
        authority = Authority.make(folder, f"authority of {name}")
        certificate, key = authority.sign(name)
        self.authority = authority.file
        self.mailbox = Mailbox()
        self.port = free_port()
        self._context: ssl.SSLContext | None = None
        if starttls:
            self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._context.load_cert_chain(certificate, key)
        self._controller: Controller | None = None

    def start(self) -> None:
        """Listen."""
        secure = self._context is not None
        self._controller = Controller(
            self.mailbox, hostname="127.0.0.1", port=self.port, tls_context=self._context,
            require_starttls=secure, authenticator=_authenticate, auth_required=secure,
            auth_require_tls=secure, server_hostname="127.0.0.1",
        )  # fmt: skip
        self._controller.start()

    def stop(self) -> None:
        """Be away."""
        if self._controller is not None:
            self._controller.stop()
            self._controller = None

    def settings(self, **other: Any) -> NoticesSettings:
        """Settings that deliver to it; the warden has one way."""
        return NoticesSettings.model_validate({**self.values(), **other})

    def values(self) -> dict[str, Any]:
        """The same as plain values."""
        return {
            "mail_host": "127.0.0.1", "mail_port": self.port, "mail_user": USER,
            "mail_password": PASSWORD, "mail_sender": "weirkeeper@osierbend.example",
            "mail_authority_file": str(self.authority), "mail_timeout_s": 5.0,
            "ways": {"warden_mail": "warden@osierbend.example"},
            "people": {"warden": {"ways": ["warden_mail"]}},
            "turns": [{"people": ["warden"]}], "fallback": "warden",
        }  # fmt: skip


@contextlib.contextmanager
def mail_server(folder: Path, name: str = "127.0.0.1", *, starttls: bool = True
                ) -> Iterator[MailServer]:  # fmt: skip
    """A server that listens."""
    server = MailServer(folder, name, starttls=starttls)
    server.start()
    try:
        yield server
    finally:
        server.stop()
