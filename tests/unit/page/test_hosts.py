"""Which names the page answers to. Forms of ``Host``: RFC 9110, section 7.2; RFC 3986, 3.2.2."""

from __future__ import annotations

import pytest

from collector.page.hosts import Hosts

HOSTS = Hosts(["192.0.2.10", "Osier-Bend.example.org"])


@pytest.mark.parametrize(
    "host",
    [
        "localhost", "localhost:8710", "LOCALHOST", "127.0.0.1:8710", "[::1]", "[::1]:8710",
        "192.0.2.99", "osier-bend.example.org", "OSIER-BEND.EXAMPLE.ORG.:443",
    ],
)  # fmt: skip
def test_addresses_and_names_that_were_meant_are_answered(host: str) -> None:
    """Nobody can make a browser believe that an address is his."""
    assert HOSTS.knows(host)


@pytest.mark.parametrize(
    "host",
    [
        "", ":", "evil.example.com", "localhost.evil.example.com", "127.0.0.1.evil.example.com",
        "osier-bend.example.org.evil.example.com", "evil.example.com:8710", "127.0.0.1:x",
        "127.0.0.1:80:80", "[::1", "[evil.example.com]", "::1", "localhost@evil.example.com",
        "127.1",
    ],
)  # fmt: skip
def test_names_that_somebody_else_may_own_are_not(host: str) -> None:
    """Such a name may point to this machine for the length of a trick."""
    assert not HOSTS.knows(host)
