"""Who may try a password, decided from addresses and plant time alone.

Rules:

* An address that was wrong ``FREE_TRIES`` times within ``FORGET_US`` may not try for ``FIRST_US``;
  each further wrong try doubles that, up to ``LONGEST_US``.
* The machine itself (loopback) is never locked out: whoever sits there owns it, and a stranger
  cannot come from that address. Its tries only wait for each other.
* An IPv6 address counts by its first 64 bits, which is what one customer gets (RFC 4291, section
  2.5.1: the rest is the interface identifier, which anybody chooses for himself).
* A bounded number of addresses is remembered; the one that was wrong longest ago goes first.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from dataclasses import dataclass

SECOND_US = 1_000_000
# Common practice, no source: a person mistypes twice; a guesser gets some 150 tries a day.
FREE_TRIES = 5
FORGET_US = 600 * SECOND_US
FIRST_US = 60 * SECOND_US
LONGEST_US = 3_600 * SECOND_US
MOST_ADDRESSES = 1_000
LOOPBACK = "loopback"
UNKNOWN = "unknown"


def origin_of(address: str) -> str:
    """Under which name the tries of an address are counted; all of loopback is ``LOOPBACK``."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return UNKNOWN
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return origin_of(str(found.ipv4_mapped))
        if not found.is_loopback:
            return str(ipaddress.ip_network((found, 64), strict=False))
    return LOOPBACK if found.is_loopback else str(found)


@dataclass(slots=True)
class _Tries:
    wrong: int
    last_us: int
    until_us: int


class Lockout:
    """Counts wrong tries by where they came from."""

    def __init__(self) -> None:
        self._tries: OrderedDict[str, _Tries] = OrderedDict()

    def wait_us(self, origin: str, now_us: int) -> int:
        """How long an origin has to wait before its next try; 0 if it may try."""
        tries = self._tries.get(origin)
        return 0 if tries is None else max(0, tries.until_us - now_us)

    def wrong(self, origin: str, now_us: int) -> int:
        """Note a wrong try; how long the origin is locked out from now on, 0 if it is not."""
        if origin == LOOPBACK:
            return 0
        tries = self._tries.pop(origin, None)
        if tries is None or now_us - max(tries.last_us, tries.until_us) > FORGET_US:
            tries = _Tries(0, now_us, 0)
        tries.wrong += 1
        tries.last_us = now_us
        over = tries.wrong - FREE_TRIES
        if over >= 0:
            tries.until_us = now_us + min(LONGEST_US, FIRST_US << min(over, 16))
        self._tries[origin] = tries
        if len(self._tries) > MOST_ADDRESSES:
            self._tries.popitem(last=False)
        return max(0, tries.until_us - now_us)

    def right(self, origin: str) -> None:
        """Forget what an origin did wrong."""
        self._tries.pop(origin, None)
