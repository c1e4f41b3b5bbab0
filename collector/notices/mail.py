"""Mail by SMTP (RFC 5321) with STARTTLS (RFC 3207), certificates checked.

The Message-ID of a notice is the same at each attempt (RFC 5322, 3.6.4), so that a copy can be told
as one. ``Auto-Submitted: auto-generated`` keeps answering machines quiet (RFC 3834, 5). Where the
server's last answer to the text is missing, the mail may have arrived (RFC 1047): the outcome says
that this is not known.
"""

from __future__ import annotations

import smtplib
import ssl
from datetime import UTC
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime

from collector.core.calendar import local
from collector.core.notices.courier import Outcome
from collector.core.notices.wording import Text
from collector.notices.settings import NoticesSettings

TEXT_TAKEN = 250


def message_of(
    settings: NoticesSettings, to: str, identity: str, text: Text, utc_us: int
) -> EmailMessage:
    """The mail.

    Args:
        settings: the sender.
        to: mail address.
        identity: of the notice, the same at each attempt.
        text: what it says.
        utc_us: its date.
    """
    sender = settings.mail_sender or ""
    message = EmailMessage(policy=SMTP_POLICY)
    message["From"] = sender
    message["To"] = to
    message["Subject"] = text.subject
    message["Date"] = format_datetime(local(utc_us, UTC).replace(microsecond=0))
    message["Message-ID"] = f"<{identity}@{sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(text.whole, cte="quoted-printable")
    return message


def send_mail(settings: NoticesSettings, to: str, message: EmailMessage) -> Outcome:
    """Hand a mail to the server; blocks, and raises nothing foreign."""
    place = f"{settings.mail_host}:{settings.mail_port}"
    try:
        with _connected(settings) as server:
            return _handed_over(server, settings, to, message, place)
    except smtplib.SMTPAuthenticationError:
        return Outcome(False, f"{place} refuses our user or password")
    except smtplib.SMTPNotSupportedError:
        return Outcome(False, f"{place} does not offer what 'mail_security' or 'mail_user' need")
    except ssl.SSLError as error:
        return Outcome(False, f"no secure connection to {place}: {_short(str(error))}")
    except (smtplib.SMTPException, OSError, UnicodeError) as error:
        return Outcome(False, f"no answer from {place}: {_short(str(error))}")


def _connected(settings: NoticesSettings) -> smtplib.SMTP:
    host, port, limit_s = settings.mail_host or "", settings.mail_port, settings.mail_timeout_s
    authority = settings.mail_authority_file
    trust = ssl.create_default_context(cafile=None if authority is None else str(authority))
    if settings.mail_security == "tls":
        return smtplib.SMTP_SSL(host, port, timeout=limit_s, context=trust)
    server = smtplib.SMTP(host, port, timeout=limit_s)
    try:
        if settings.mail_security == "starttls":
            server.starttls(context=trust)
    except BaseException:
        server.close()
        raise
    return server


def _handed_over(
    server: smtplib.SMTP, settings: NoticesSettings, to: str, message: EmailMessage, place: str
) -> Outcome:
    server.ehlo_or_helo_if_needed()
    if settings.mail_user is not None and settings.mail_password is not None:
        server.login(settings.mail_user, settings.mail_password.get_secret_value())
    for answer in (server.mail(settings.mail_sender or ""), server.rcpt(to)):
        if answer[0] // 100 != 2:
            return Outcome(False, f"{place} refuses it: {_answer(answer)}")
    try:
        answer = server.data(message.as_bytes())
    except smtplib.SMTPDataError as refused:
        return Outcome(False, f"{place} refuses it: {refused.smtp_code}")
    except (smtplib.SMTPException, OSError) as error:
        why = f"{place} did not answer to the text, it may have it: {_short(str(error))}"
        return Outcome(False, why, uncertain=True)
    if answer[0] != TEXT_TAKEN:
        return Outcome(False, f"{place} refuses it: {_answer(answer)}")
    return Outcome(True)


def _answer(answer: tuple[int, bytes]) -> str:
    return f"{answer[0]} {_short(answer[1].decode(errors='replace'))}"


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= 160 else line[:159] + "…"
