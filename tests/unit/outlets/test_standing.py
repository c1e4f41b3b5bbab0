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
