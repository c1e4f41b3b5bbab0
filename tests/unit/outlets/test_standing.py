"""Waiting times and the state an outlet tells."""

from __future__ import annotations

from structlog.testing import capture_logs

from collector.outlets.delivery import Cursor, Delivery
from collector.outlets.standing import Backoff, Standing


class Still:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.at_us = 0

    def now_us(self) -> int:
        return self.at_us

    def wall_us(self) -> int:
        return self.at_us

    async def sleep_until(self, at_us: int) -> None:
        self.at_us = max(self.at_us, at_us)


def test_waits_double_up_to_the_longest_and_start_again_when_things_get_better() -> None:
    """0.5, 1, 2, 4, 5, 5 s; after a success 0.5 s again."""
    backoff = Backoff(0.5, 5.0)
    assert [backoff.next_us() for _ in range(6)] == [
        500_000, 1_000_000, 2_000_000, 4_000_000, 5_000_000, 5_000_000,
    ]  # fmt: skip
    backoff.reset()
    assert backoff.next_us() == 500_000


def test_an_outage_is_logged_once_and_dated_from_its_beginning() -> None:
    """A month without a broker leaves one line, and the state keeps the time it began."""
    clock = Still()
    standing = Standing("mqtt", clock)
    delivery = Delivery(Cursor(3), window=5)
    with capture_logs() as logs:
        for minute in range(1000):
            clock.at_us = 60_000_000 * (minute + 1)
            standing.turn("unreachable", "no connection")
    assert len(logs) == 1
    assert logs[0]["log_level"] == "warning"
    status = standing.status(delivery, head=10)
    assert status.since_us == 60_000_000
    assert (status.delivered, status.head, status.behind) == (3, 10, 7)


def test_plants_do_not_come_back_in_step() -> None:
    """A thousand that lost the same broker spread over more than half of each waiting time."""
    for attempt in range(1, 6):
        waits = []
        for plant in range(1000):
            backoff = Backoff(1.0, 60.0, f"plant_{plant}")
            waits.append([backoff.next_us() for _ in range(attempt)][-1] / 1e6)
        longest_s = 2.0 ** (attempt - 1)
        assert 0.4 * longest_s <= min(waits) < 0.42 * longest_s
        assert 0.98 * longest_s < max(waits) <= longest_s
        tenths = {int(10 * wait / longest_s) for wait in waits}
        assert tenths >= {4, 5, 6, 7, 8, 9}


def test_a_plant_waits_the_same_when_played_again() -> None:
    """What is waited follows from name and attempt alone."""
    one, other = Backoff(1.0, 60.0, "a"), Backoff(1.0, 60.0, "a")
    assert [one.next_us() for _ in range(8)] == [other.next_us() for _ in range(8)]
