"""What a connection to a broker leaves for the event loop to hear of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Opened:
    """The broker took us; these are its limits (MQTT 5.0, 3.2.2.3).

    Args:
        window: most messages it wants unacknowledged.
        largest_packet: in bytes, or None.
        retains: False where it keeps no retained messages.
        confirms: False where it offers no QoS 1.
    """

    window: int
    largest_packet: int | None
    retains: bool
    confirms: bool


@dataclass(frozen=True, slots=True)
class Ended:
    """There is no connection, or no more; ``held`` if a person has to change something."""

    why: str
    held: bool


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """The broker answered a message; ``code`` below 0x80 means that it has it."""

    identifier: int
    code: int
    why: str


@dataclass(frozen=True, slots=True)
class Spoken:
    """Somebody published on a topic we listen to; ``retained`` as they asked for it."""

    topic: str
    payload: bytes
    retained: bool


@dataclass(frozen=True, slots=True)
class Deaf:
    """The broker does not let us listen."""

    why: str


News = Opened | Ended | Acknowledged | Spoken | Deaf
