"""What people say over the broker, judged before anything is made of it.

The last level of the topic is who speaks; the broker's access list has to see to it that nobody
speaks on another's. What is retained is refused: the broker would say it again for ever. So is what
is no action, and what comes too often.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping

import structlog

from collector.clock import MICROSECONDS
from collector.core.alarms.action_form import LONGEST_ACTOR, maybe_id, read_action
from collector.core.alarms.actions import MQTT
from collector.core.records import ActionTaken
from collector.outlets.news import Spoken

MINUTE_US = 60 * MICROSECONDS
MOST_A_MINUTE = 60  # of everybody together
MOST_OF_ONE = 20
MOST_ANSWERS = 200

log = structlog.get_logger(__name__)

Answer = tuple[str, Mapping[str, object]]
"""To whom, and what."""


class Hearing:
    """Takes what was said, and keeps the answers until they can be sent.

    Args:
        take: called with every action that is one; it answers later by ``answer``.
    """

    def __init__(self, take: Callable[[ActionTaken], None]) -> None:
        self.answers: deque[Answer] = deque(maxlen=MOST_ANSWERS)
        self._take = take
        self._heard: deque[tuple[int, str]] = deque()
        self._warned_us: int | None = None

    def hear(self, spoken: Spoken, now_us: int, offset_us: int) -> None:
        """Judge one message.

        Args:
            spoken: as it came.
            now_us: plant time.
            offset_us: wall time minus plant time.
        """
        actor = spoken.topic.rpartition("/")[2]
        if not self._in_measure(actor, now_us):
            return
        if spoken.retained:
            self._refuse(actor, spoken.payload, "found a retained message, expected one that is "
                         "not: the broker would repeat it for ever")  # fmt: skip
            return
        found = read_action(spoken.payload, now_us, offset_us, actor=actor, way=MQTT)
        if isinstance(found, str):
            self._refuse(actor, spoken.payload, found)
        else:
            self._take(found)

    def answer(self, actor: str, action_id: str | None, refused: str, number: int) -> None:
        """Say what became of an action.

        Args:
            actor: to whom.
            action_id: of the action; None if none could be read.
            refused: why it has no effect; empty if it has.
            number: of its record, 0 where there is none.
        """
        body: dict[str, object] = {
            "id": action_id,
            "outcome": "refused" if refused else "accepted",
        }
        if refused:
            body["why"] = refused
        if number:
            body["number"] = number
        self.answers.append((actor, body))

    def _refuse(self, actor: str, payload: bytes, why: str) -> None:
        log.warning("action refused", actor=actor[:LONGEST_ACTOR], because=why)
        self.answer(actor, maybe_id(payload), why, 0)

    def _in_measure(self, actor: str, now_us: int) -> bool:
        """Whether it is not too often; who comes too often gets no answer either."""
        while self._heard and self._heard[0][0] <= now_us - MINUTE_US:
            self._heard.popleft()
        of_one = sum(heard == actor for _, heard in self._heard)
        if len(self._heard) < MOST_A_MINUTE and of_one < MOST_OF_ONE:
            self._heard.append((now_us, actor))
            return True
        if self._warned_us is None or now_us - self._warned_us >= MINUTE_US:
            self._warned_us = now_us
            log.warning(
                "too many actions within a minute, the rest is not heard",
                actor=actor[:LONGEST_ACTOR], most=MOST_OF_ONE, most_of_all=MOST_A_MINUTE,
            )  # fmt: skip
        return False
