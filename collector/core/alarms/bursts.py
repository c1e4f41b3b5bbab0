"""Which alarm was the first of a burst, and which only followed it.

An alarm that is raised within a minute of the one raised before it follows the first of them, and
says so. Of several raised by one input the earliest bracket goes first, then the highest priority.
What is raised under a cover is shown to nobody and belongs to no burst.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from collector.core.alarms.rule import Priority
from collector.core.alarms.standing import raised_openly
from collector.core.records import AlarmMoved

BURST_US = 60_000_000
"""What follows within a minute of the alarm before it belongs to one burst; common practice, no
source."""
FOLLOWS = "follows"


class Bursts:
    """Keeps the first of the burst under way."""

    def __init__(self) -> None:
        self.first = ""  # subject#activation
        self.latest_us = 0  # when an alarm of it was raised last

    def mark(
        self, moves: list[AlarmMoved], priority_of: Callable[[str], Priority]
    ) -> list[AlarmMoved]:
        """The same moves, those that follow marked with whom they follow."""
        raised = [place for place, move in enumerate(moves) if raised_openly(move)]
        if not raised:
            return moves
        found = list(moves)
        raised.sort(key=lambda at: (moves[at].after_us, -priority_of(moves[at].subject), at))
        for place in raised:
            move = moves[place]
            if self.first and move.by_us - self.latest_us <= BURST_US:
                move = replace(move, details={**move.details, FOLLOWS: self.first})
            found[place] = move
            self.note(move)
        return found

    def note(self, move: AlarmMoved) -> None:
        """An alarm was raised, marked or not."""
        self.first = str(move.details.get(FOLLOWS, f"{move.subject}#{move.activation}"))
        self.latest_us = max(self.latest_us, move.by_us)
