"""How an outlet stands towards the far side, when it tries again, and how long it waits."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

import structlog

from collector.clock import MICROSECONDS, Clock
from collector.outlets.contract import OutletStatus, StateWord
from collector.outlets.delivery import Delivery

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Patience:
    """How long an outlet waits for what, in seconds.

    Args:
        tick_s: how often it looks at its deadlines.
        answer_s: for a connection or an acknowledgement, before it starts afresh.
        first_retry_s, longest_retry_s: between attempts while the far side is away; doubled in
            between.
        held_retry_s: between attempts while it refuses us.
        cursor_s: least time between two moves of the cursor; what was delivered in it is repeated
            after a crash.
        settle_s: until a store has on its disk what it has confirmed; see ``store.py``.
        gather_s: for rows of a store to come together; see ``store.py``.
        farewell_s: for a clean goodbye, twice: to be heard, and to part.
    """

    tick_s: float = 0.25
    answer_s: float = 15.0
    first_retry_s: float = 0.5
    longest_retry_s: float = 30.0
    held_retry_s: float = 60.0
    cursor_s: float = 0.2
    settle_s: float = 10.0
    gather_s: float = 0.25
    farewell_s: float = 0.5


LEAST_SHARE = 0.4  # of a waiting time


class Backoff:
    """Waiting times that double while nothing gets better.

    When a broker that thousands of plants share comes back, they must not all come at once, and in
    step ever after. So each waits a share of the time that follows from its name and the attempt:
    spread over plants like a draw, and yet the same whenever it is played again.

    Args:
        first_s, longest_s: the longest first wait, and the longest of all.
        who: tells this one from others; empty waits the whole time.
    """

    def __init__(self, first_s: float, longest_s: float, who: str = "") -> None:
        self._first_s = first_s
        self._longest_s = longest_s
        self._next_s = first_s
        self._who = who
        self._attempts = 0

    def next_us(self) -> int:
        """The time to wait now, in µs."""
        wait_s = self._next_s
        self._next_s = min(self._longest_s, 2 * wait_s)
        self._attempts += 1
        return int(wait_s * self._share() * MICROSECONDS)

    def reset(self) -> None:
        """Things got better: start from the first time again."""
        self._next_s = self._first_s

    def _share(self) -> float:
        if not self._who:
            return 1.0
        digest = sha256(f"{self._who} {self._attempts}".encode()).digest()
        drawn = int.from_bytes(digest[:4]) / 2**32
        return LEAST_SHARE + (1.0 - LEAST_SHARE) * drawn


class Standing:
    """State of an outlet with its counts; every turn is logged once, repeats are not."""

    def __init__(self, outlet: str, clock: Clock) -> None:
        self.outlet = outlet
        self._clock = clock
        self.state: StateWord = "starting"
        self.sentence = "has not tried yet"
        self._since_us = clock.now_us()
        self.retried = 0
        self.refused = 0

    def turn(self, state: StateWord, sentence: str) -> None:
        """Be in a state from now on, for the reason the sentence gives."""
        if state != self.state:
            self._since_us = self._clock.now_us()
        if (state, sentence) != (self.state, self.sentence):
            tell = log.info if state in ("starting", "delivering", "stopped") else log.warning
            tell("outlet", outlet=self.outlet, state=state, sentence=sentence)
        self.state, self.sentence = state, sentence

    def refuse(self, sequence: int, why: str) -> None:
        """Count a record the far side will never take."""
        self.refused += 1
        log.warning("record in quarantine", outlet=self.outlet, number=sequence, why=why)

    def status(self, delivery: Delivery, head: int) -> OutletStatus:
        """All of it, for people and programs."""
        return OutletStatus(
            outlet=self.outlet,
            state=self.state,
            since_us=self._since_us,
            sentence=self.sentence,
            delivered=delivery.cursor.delivered,
            head=head,
            behind=delivery.behind(head),
            retried=self.retried,
            refused=self.refused,
        )
