"""Why a read brought no value; each is an answer to the question, never a crash.

    LinkError
    └── ReadFault
        ├── NoConnection       the panel or the line could not be opened
        │   ├── ConnectionLost     it was open, and ended before the reply was complete
        │   └── NotTrusted         the panel's certificate, or ours, was refused
        ├── NoReply            the panel kept silent until the timeout
        ├── MalformedReply     something came that is not the answer to what was asked
        └── ExceptionReply     the panel answered that it cannot answer

``reason`` is the short form a point carries; the text is the sentence a person needs to act on.
"""

from __future__ import annotations

from collector.errors import LinkError

# Modbus Application Protocol V1.1b3, section 7. A code beyond these is no answer but noise.
# The last two come from a gateway, about a panel that kept silent.
EXCEPTION_MEANINGS: dict[int, str] = {
    0x01: "the panel does not know this function",
    0x02: "the panel does not have all of these addresses",
    0x03: "the panel refuses a read of this length",
    0x04: "the panel failed while reading",
    0x05: "the panel needs longer and answers later",
    0x06: "the panel is busy",
    0x08: "the panel found its memory damaged",
    0x0A: "the gateway has no path to the panel",
    0x0B: "the panel behind the gateway does not answer",
}

OF_A_GATEWAY = (0x0A, 0x0B)


class ReadFault(LinkError):
    """A read brought no value.

    Attributes:
        reason: short form, as points carry it.
        is_answer: True where the panel answered what it was asked.
        is_silence: True where nothing came, so that its other blocks are not worth asking for.
        worth_retrying: True where the same read may succeed a moment later.
    """

    is_answer = False
    is_silence = True
    worth_retrying = True

    def __init__(self, reason: str, text: str) -> None:
        self.reason = reason
        super().__init__(text)


class NoConnection(ReadFault):
    """The panel or the line could not be opened."""

    worth_retrying = False

    def __init__(self, text: str, reason: str = "no connection") -> None:
        super().__init__(reason, text)


class ConnectionLost(NoConnection):
    """The connection ended before the reply was complete."""

    worth_retrying = True

    def __init__(self, text: str) -> None:
        super().__init__(text)


class NotTrusted(NoConnection):
    """A certificate was refused; the sentence says whose, and what to do."""

    def __init__(self, text: str) -> None:
        super().__init__(text, "certificate refused")


class NoReply(ReadFault):
    """The panel kept silent until the timeout."""

    def __init__(self, text: str = "the panel did not reply in time") -> None:
        super().__init__("no reply", text)


class MalformedReply(ReadFault):
    """Something came that is not the answer to what was asked."""

    is_silence = False

    def __init__(self, text: str) -> None:
        super().__init__("malformed reply", f"malformed reply: {text}")


class ExceptionReply(ReadFault):
    """The panel answered with an exception, or a gateway did because the panel was silent.

    Args:
        code: one of ``EXCEPTION_MEANINGS``.
    """

    worth_retrying = False

    def __init__(self, code: int) -> None:
        self.code = code
        self.is_silence = code in OF_A_GATEWAY
        self.is_answer = not self.is_silence
        super().__init__(
            f"exception {code:02X}", f"exception {code:02X}: {EXCEPTION_MEANINGS[code]}"
        )
