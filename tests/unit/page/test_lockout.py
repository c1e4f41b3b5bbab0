"""Wrong passwords: who has to wait, how long, and who never has to.

Which addresses are loopback: RFC 1122, section 3.2.1.3 (127.0.0.0/8), RFC 4291, section 2.5.3
(::1). The times are those that README.md promises.
"""

from __future__ import annotations

import pytest

from collector.page.lockout import LOOPBACK, MOST_ADDRESSES, UNKNOWN, Lockout, origin_of

MINUTE_US = 60_000_000
STRANGER = "198.51.100.7"  # RFC 5737: for documentation


def wrong(lockout: Lockout, times: int, origin: str = STRANGER, at_us: int = 0) -> int:
    """Have an origin be wrong; what the last time brought."""
    return [lockout.wrong(origin, at_us) for _ in range(times)][-1]


@pytest.mark.parametrize(
    ("address", "origin"),
    [
        ("127.0.0.1", LOOPBACK),
        ("127.9.9.9", LOOPBACK),
        ("::1", LOOPBACK),
        ("::ffff:127.0.0.1", LOOPBACK),
        ("::ffff:198.51.100.7", STRANGER),
        (STRANGER, STRANGER),
        ("2001:db8::1", "2001:db8::/64"),
        ("2001:db8::ffff:1", "2001:db8::/64"),
        ("2001:db8:0:1::1", "2001:db8:0:1::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("", UNKNOWN),
        ("nonsense", UNKNOWN),
    ],
)
def test_tries_count_by_who_can_have_made_them(address: str, origin: str) -> None:
    """One IPv4 address, one IPv6 network of 64 bits, the machine itself."""
    assert origin_of(address) == origin


def test_four_mistakes_cost_nothing_and_the_fifth_a_minute() -> None:
    """People mistype; whoever goes on waits."""
    lockout = Lockout()
    assert wrong(lockout, 4) == 0
    assert lockout.wait_us(STRANGER, 0) == 0
    assert wrong(lockout, 1) == MINUTE_US
    assert lockout.wait_us(STRANGER, MINUTE_US - 1) == 1
    assert lockout.wait_us(STRANGER, MINUTE_US) == 0


def test_each_further_mistake_doubles_the_wait_up_to_an_hour() -> None:
    """1, 2, 4 ... 60 minutes; so a guesser gets some thirty tries a day."""
    lockout = Lockout()
    wrong(lockout, 4)
    waits, now_us = [], 0
    for _ in range(9):
        waits.append(lockout.wrong(STRANGER, now_us) // MINUTE_US)
        now_us += waits[-1] * MINUTE_US
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_the_machine_itself_never_waits() -> None:
    """Nobody else can come from loopback, so nobody can lock its owner out."""
    lockout = Lockout()
    assert wrong(lockout, 1_000, LOOPBACK) == 0
    assert lockout.wait_us(LOOPBACK, 0) == 0


def test_one_does_not_wait_for_the_mistakes_of_another() -> None:
    """Each origin by itself."""
    lockout = Lockout()
    wrong(lockout, 9)
    assert lockout.wait_us("198.51.100.8", 0) == 0


def test_the_right_password_and_ten_quiet_minutes_forget() -> None:
    """Afterwards the count begins anew."""
    lockout = Lockout()
    wrong(lockout, 4)
    lockout.right(STRANGER)
    assert wrong(lockout, 4) == 0
    assert lockout.wrong(STRANGER, 10 * MINUTE_US + 1) == 0


def test_a_bounded_number_of_origins_is_remembered_the_latest_among_them() -> None:
    """Whoever comes from many addresses costs no memory."""
    lockout = Lockout()
    for number in range(2 * MOST_ADDRESSES):
        wrong(lockout, 5, f"origin {number}")
    waits = [lockout.wait_us(f"origin {number}", 0) > 0 for number in range(2 * MOST_ADDRESSES)]
    assert waits == [False] * MOST_ADDRESSES + [True] * MOST_ADDRESSES
