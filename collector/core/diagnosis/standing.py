"""Claims that must hold for a while, and the findings that come of them.

A claim holds, does not hold, or is not known. It becomes a finding when it has held without a gap
for its time; not known ends the wait, and neither raises nor ends a finding. What a panel shows is
only sure once it has been heard from later: the wait that time alone ends is longer by ``sure_us``,
in which the silence or the stillness of a panel would have been told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import cast

from collector.core.component import Saved
from collector.core.process.telling import plain
from collector.core.records import Finding, Output, Quality
from collector.plant.model import Panel


@dataclass(frozen=True, slots=True)
class Claim:
    """What may be wrong.

    Args:
        subject: ``equipment.what``, of the finding.
        holds: whether it does; None if that is not known.
        for_s: how long it must hold.
        tell: the diagnosis in words, asked when it is raised.
        rest_s: how long it must not hold before it has ceased.
        since_us: when it began to hold, where that is known better than by being told now.
    """

    subject: str
    holds: bool | None
    for_s: float
    tell: Callable[[], str]
    rest_s: float = 0.0
    since_us: int | None = None
    quality: Quality = Quality.GOOD


@dataclass(slots=True)
class _State:
    """Where a claim stands."""

    since_us: int | None = None  # holds, waiting to be raised or standing
    standing: bool = False
    resting_us: int | None = None  # standing, but has not held since
    proven_us: int = 0  # up to when its evidence reaches
    due_us: int | None = None
    # Before which it cannot have begun to hold, or ceased; kept while nobody knows.
    since_earliest_us: int | None = None
    resting_earliest_us: int | None = None

    @property
    def idle(self) -> bool:
        """Whether there is nothing to remember."""
        return not self.standing and self.since_us is None and self.since_earliest_us is None


class Standing:
    """The claims of one component.

    Args:
        sure_us: how much later than an instant it is sure that its panels lived at it.
    """

    def __init__(self, sure_us: int) -> None:
        self.sure_us = sure_us
        self._states: dict[str, _State] = {}

    def stands(self, subject: str) -> bool:
        """Whether a finding stands."""
        state = self._states.get(subject)
        return state is not None and state.standing

    def take(
        self, claims: Iterable[Claim], at_us: int, now_us: int, earliest_us: int | None = None
    ) -> list[Output]:
        """Take all claims as they are.

        Args:
            claims: one for each subject; a subject that is left out is not known.
            at_us: since when they are so, as far as they have just changed.
            now_us: when that was noticed, not before ``at_us``.
            earliest_us: before which they were not so, where ``at_us`` is the likeliest instant.
        """
        earliest_us = at_us if earliest_us is None else min(earliest_us, at_us)
        found: list[Output] = []
        left_out = set(self._states)
        for claim in claims:
            left_out.discard(claim.subject)
            state = self._states.get(claim.subject)
            if state is None:
                if claim.holds is not True:
                    continue
                state = self._states[claim.subject] = _State()
            found += self._take(claim, state, at_us, now_us, earliest_us)
            if state.idle:
                del self._states[claim.subject]
        for subject in left_out:
            state = self._states[subject]
            state.resting_us = state.due_us = None
            if not state.standing:
                state.since_us = None
            if state.idle:
                del self._states[subject]
        return found

    def _take(
        self, claim: Claim, state: _State, at_us: int, now_us: int, earliest_us: int
    ) -> list[Output]:
        state.due_us = None
        if claim.holds:
            state.resting_us = state.resting_earliest_us = None
            if state.since_us is None:
                state.since_us = at_us
                state.since_earliest_us = _earlier(state.since_earliest_us, earliest_us)
                if claim.since_us is not None:
                    state.since_us, state.since_earliest_us = claim.since_us, None
            if state.standing:
                return []
            ripe_us = state.since_us + round(claim.for_s * 1e6)
            if now_us < ripe_us:
                state.due_us = ripe_us + self.sure_us
                return []
            state.standing, state.proven_us = True, ripe_us
            return [
                Finding(
                    claim.subject, True, state.since_us, now_us, claim.tell(), claim.quality,
                    state.since_earliest_us,
                )
            ]  # fmt: skip
        if not state.standing:
            state.since_us = None
            if claim.holds is False:
                state.since_earliest_us = None
            return []
        if claim.holds is None:
            state.resting_us = None
            return []
        if state.resting_us is None:
            state.resting_us = at_us
            state.resting_earliest_us = _earlier(state.resting_earliest_us, earliest_us)
        over_us = state.resting_us + round(claim.rest_s * 1e6)
        if now_us < over_us:
            state.due_us = over_us + self.sure_us
            return []
        ceased_us, earliest_ceased_us = state.resting_us, state.resting_earliest_us
        state.standing, state.since_us, state.resting_us = False, None, None
        state.since_earliest_us = state.resting_earliest_us = None
        return [
            Finding(claim.subject, False, ceased_us, now_us, "", earliest_us=earliest_ceased_us)
        ]

    def withdraw(self, last_good_us: int, now_us: int) -> list[Output]:
        """Take back what rests on things seen after all had become unsure."""
        found: list[Output] = []
        for subject, state in list(self._states.items()):
            if state.standing and state.proven_us > last_good_us:
                found.append(Finding(subject, False, last_good_us, now_us, ""))
                del self._states[subject]
        return found

    def deadline_us(self) -> int | None:
        """When a claim becomes a finding, or a finding ceases, if nothing else happens."""
        return min(
            (state.due_us for state in self._states.values() if state.due_us is not None),
            default=None,
        )

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            subject: plain(
                (
                    state.since_us, int(state.standing), state.resting_us, state.proven_us,
                    state.due_us, state.since_earliest_us, state.resting_earliest_us,
                )
            )
            for subject, state in self._states.items()
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict) or not all(
            isinstance(kept, list) and len(kept) in (5, 7) for kept in saved.values()
        ):
            raise ValueError("the saved findings are of another form")
        self._states = {}
        for subject, kept in saved.items():
            since_us, standing, resting_us, proven_us, due_us, *earliest = cast(
                list[int | None], kept
            )
            self._states[subject] = _State(
                since_us, bool(standing), resting_us, proven_us or 0, due_us, *earliest
            )


def _earlier(kept_us: int | None, at_us: int) -> int:
    return at_us if kept_us is None else min(kept_us, at_us)


def sure_after_us(panels: Iterable[Panel]) -> int:
    """How much later than an instant it is sure that panels answered and lived at it.

    A panel without a heartbeat proves nothing by standing still; what it seems to show is taken
    back if it turns out to have been frozen.
    """
    longest_s = 0.0
    for panel in panels:
        silence_s = panel.silence_s
        if panel.frozen is not None and panel.frozen.heartbeat is not None:
            silence_s = max(silence_s, panel.frozen.after_s)
        longest_s = max(longest_s, silence_s + 2.0 * panel.scan_period_s)
    return round(longest_s * 1e6) + 1_000_000
