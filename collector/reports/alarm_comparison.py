"""Two lists of activations of the same time, held against each other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from collector.reports.alarm_rows import Activation


@dataclass(frozen=True, slots=True)
class Pair:
    """An activation here and the one on record that stood at the same time, or one of them."""

    here: Activation | None
    then: Activation | None

    @property
    def either(self) -> Activation:
        """The one here, else the one on record."""
        one = self.here or self.then
        if one is None:
            raise ValueError("a pair of none")
        return one


def compare(here: Iterable[Activation], then: Iterable[Activation]) -> list[Pair]:
    """Activations of the same alarm that stood at the same time belong together.

    Returns:
        pairs in the order in which they began.
    """
    waiting: dict[str, list[Activation]] = {}
    for one in then:
        waiting.setdefault(one.subject, []).append(one)
    pairs = []
    for one in here:
        others = waiting.get(one.subject, [])
        match = next((other for other in others if _overlap(one, other)), None)
        if match is not None:
            others.remove(match)
        pairs.append(Pair(one, match))
    pairs += [Pair(None, one) for others in waiting.values() for one in others]
    return sorted(pairs, key=lambda pair: (pair.either.began_utc_us, pair.either.subject))


def _overlap(one: Activation, other: Activation) -> bool:
    return (one.ended_utc_us is None or other.began_utc_us <= one.ended_utc_us) and (
        other.ended_utc_us is None or one.began_utc_us <= other.ended_utc_us
    )
