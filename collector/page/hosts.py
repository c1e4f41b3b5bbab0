"""By which names the page may be called.

A page of a stranger can make a browser call our address under a name of his own and then read what
comes back; so a request is answered only when its ``Host`` is one that was meant. An address
written as such is always meant: nobody else can own it.

Source: RFC 9110, sections 7.2 (Host) and 15.5.20 (421 Misdirected Request).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable

ALWAYS = frozenset({"localhost"})


class Hosts:
    """Names the page answers to.

    Args:
        names: host names beside ``localhost``, without port.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._names = ALWAYS | {name.lower().rstrip(".") for name in names}

    def knows(self, host: str) -> bool:
        """Whether a ``Host`` header, with or without port, is one of ours."""
        name, port = _split(host.strip().lower())
        if port and not (port.isascii() and port.isdigit()):
            return False
        if name.startswith("[") and name.endswith("]"):
            return _is_address(name[1:-1], 6)
        return name.rstrip(".") in self._names or _is_address(name, 4)


def _split(host: str) -> tuple[str, str]:
    if host.startswith("["):
        name, bracket, rest = host.partition("]")
        return name + bracket, rest.removeprefix(":")
    name, _, port = host.partition(":")
    return name, port


def _is_address(text: str, version: int) -> bool:
    try:
        return ipaddress.ip_address(text).version == version
    except ValueError:
        return False
