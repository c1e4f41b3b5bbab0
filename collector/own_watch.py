"""What the collector tells of itself: looked at each second, told when it changes.

How far an outlet is behind grows with every second; it is told when it has crossed a step, so that
an outage of a day makes some twenty records.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from collector.clock import MICROSECONDS
from collector.core.own_points import COLLECTOR
from collector.core.records import PointChanged, Quality, Record, Value
from collector.outlets.contract import CursorFigures

NOT_TOLD = "the system does not tell"
HOUR_S = 3_600
DAY_S = 24 * HOUR_S
STEPS_S = (
    60, 300, 600, 1_800, HOUR_S, 2 * HOUR_S, 3 * HOUR_S, 4 * HOUR_S, 6 * HOUR_S, 8 * HOUR_S,
    12 * HOUR_S, 18 * HOUR_S, DAY_S,
)  # fmt: skip
"""Ages at which an outlet's lag is told; beyond the last it is told each day."""

Look = Callable[[int], Value]


class OwnWatch:
    """Tells own points when they change.

    Args:
        looks: for each name of ``own_points.OWN_POINTS`` that there is, what it is at a plant
            time; None where that is not known. A number is in SI.
    """

    def __init__(self, looks: Mapping[str, Look]) -> None:
        self._looks = looks
        self._told: dict[str, Value] = {}
        self._looked_us: int | None = None

    def changes(self, now_us: int) -> list[PointChanged]:
        """What is no longer as it was told last; everything at the first look."""
        found = []
        after_us = now_us if self._looked_us is None else self._looked_us
        for name, look in self._looks.items():
            value = look(now_us)
            if name in self._told and _step(value) == _step(self._told[name]):
                continue
            self._told[name] = value
            known = value is not None
            found.append(
                PointChanged(
                    f"{COLLECTOR}.{name}", value, Quality.GOOD if known else Quality.BAD,
                    "" if known else NOT_TOLD, after_us, now_us,
                )
            )  # fmt: skip
        self._looked_us = now_us
        return found


class _Past(Protocol):
    """The journal's reader, as far as it is used here."""

    def head(self) -> int: ...
    def cursor(self, outlet: str) -> CursorFigures: ...
    def records_between(self, first: int, last: int, limit: int) -> Sequence[Record]: ...


def behind_s(outlet: str, past: _Past, now_us: int) -> float:
    """Age of the oldest record that the far side of an outlet has not confirmed, in s.

    It is 0 below the first of the steps: there is always a record that has just been made.
    """
    delivered, head = past.cursor(outlet).delivered, past.head()
    oldest = past.records_between(delivered + 1, head, 1) if delivered < head else ()
    if not oldest:
        return 0.0
    age_s = (now_us - oldest[0].at_us) / MICROSECONDS
    return age_s if age_s > STEPS_S[0] else 0.0


def _step(value: Value) -> Value:
    """The same for values that need not be told apart."""
    if not isinstance(value, float):
        return value
    days = value // DAY_S if value > DAY_S else 0.0
    return bisect_left(STEPS_S, value) + days
