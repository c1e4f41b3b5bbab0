"""Tells the service manager how the daemon is: ready, alive, stopping.

Source: sd_notify(3), the protocol "send KEY=VALUE lines as one datagram to $NOTIFY_SOCKET".
"""

from __future__ import annotations

import contextlib
import os
import socket

EXTENDED_US = 60_000_000  # told every second or so; a start that hangs ends a minute later
TELL_WITHIN_S = 0.1  # a manager that does not read must not hold the daemon up


class ServiceManager:
    """The manager that started us, if one did; without one every call does nothing."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")

    def starting(self) -> None:
        """Start-up takes longer than usual, and gets on."""
        self._tell(f"EXTEND_TIMEOUT_USEC={EXTENDED_US}\nSTATUS=salvaging a damaged journal")

    def ready(self, status: str) -> None:
        """Start-up is done; the journal is open and polling has begun."""
        self._tell(f"READY=1\nSTATUS={status}")

    def alive(self, status: str) -> None:
        """Polling and journal have moved since the last time."""
        self._tell(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        """The daemon is on its way out."""
        self._tell("STOPPING=1")

    def _tell(self, lines: str) -> None:
        if not self._address:
            return
        address = self._address
        if address.startswith("@"):  # an abstract socket
            address = "\0" + address[1:]
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sending,
        ):
            sending.settimeout(TELL_WITHIN_S)
            sending.sendto(lines.encode(), address)


class Pulse:
    """Notices that something with work before it no longer moves.

    Args:
        patience_us: how long it may stand still.
    """

    def __init__(self, patience_us: int) -> None:
        self._patience_us = patience_us
        self._position: object = None
        self._since_us: int | None = None

    def beats(self, position: object, now_us: int, *, busy: bool) -> bool:
        """Whether it moves, or has no reason to.

        Args:
            position: differs from the last one if it has moved.
            now_us: plant time.
            busy: whether there is work it should be getting on with.
        """
        if not busy or position != self._position or self._since_us is None:
            self._position, self._since_us = position, now_us
        return now_us - self._since_us <= self._patience_us
