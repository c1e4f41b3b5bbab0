"""As much of MQTT 5.0 on the wire as a played collector and its subscriber need.

A client library would be busier than the broker that it is to load.
"""

from __future__ import annotations

import socket

from collector.outlets.topics import Message


def text(value: str | bytes) -> bytes:
    """MQTT 5.0, 1.5.4: two bytes of length before it."""
    raw = value.encode() if isinstance(value, str) else value
    return len(raw).to_bytes(2) + raw


def packet(first: int, body: bytes) -> bytes:
    """MQTT 5.0, 2.1: the first byte, the length in groups of seven bits, the rest."""
    length, left = bytearray(), len(body)
    while True:
        left, low = divmod(left, 128)
        length.append(low | (0x80 if left else 0))
        if not left:
            return bytes([first]) + bytes(length) + body


def split(data: bytes) -> tuple[list[tuple[int, bytes]], bytes]:
    """Whole packets as first byte and rest, and what is left over."""
    found: list[tuple[int, bytes]] = []
    at, size = 0, len(data)
    while True:
        length, shift, place = 0, 0, at + 1
        while place < size:
            low = data[place]
            length |= (low & 0x7F) << shift
            shift, place = shift + 7, place + 1
            if low < 0x80:
                break
        else:
            return found, data[at:]
        if place + length > size:
            return found, data[at:]
        found.append((data[at], data[place : place + length]))
        at = place + length


def connected(host: str, port: int, client_id: str, will: Message | None) -> socket.socket:
    """A connection with which the broker agrees (MQTT 5.0, 3.1)."""
    raw = socket.create_connection((host, port), 10)
    raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    flags, rest = 0x02, text(client_id)
    if will is not None:
        flags |= 0x04 | 0x08 | (0x20 if will.retain else 0)
        rest += b"\0" + text(will.topic) + text(will.payload)
    raw.sendall(packet(0x10, text("MQTT") + bytes([5, flags, 1, 0x2C, 0]) + rest))
    answer = raw.recv(200)
    if len(answer) < 4 or answer[0] != 0x20 or answer[3]:
        raise OSError(f"the broker at {host}:{port} refuses {client_id}: {answer[:4].hex()}")
    return raw
