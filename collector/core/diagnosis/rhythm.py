"""Machines that run by the clock: blowers and mixers that stand or run for longer than they do.

No float calls them, so what is usual is learnt from their own pauses and runs; the longest of the
last ones is the measure.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import cast

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch, both
from collector.core.diagnosis.limits import (
    EXCESS_S,
    NO_AIR_S,
    STANDSTILL_FACTOR,
    STANDSTILL_LEAST_PAUSES,
)
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import MACHINE, diagnosis, duration
from collector.core.process.contacts import Moved
from collector.core.records import PointChanged
from collector.plant.equipment import Machine

KEPT = 30


class RhythmWatch(ContactWatch):
    """Machines of which so many run at a time: the blowers of a group, or one mixer.

    Args:
        name, title: of the group or machine.
        members: the machines.
        needed: how many run at a time.
        serves: what suffers, in words; empty where the file does not say.
        mains: contact that says there is voltage, or None.
        by_the_hour: also say if they never pause.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, name: str, title: str, members: Mapping[str, Machine], needed: int, serves: str,
        mains: str | None, sure_us: int, *, by_the_hour: bool,
    ) -> None:  # fmt: skip
        runs = [machine.run for machine in members.values()]
        super().__init__(f"{name}.rhythm", (*runs, mains), sure_us)
        self._name, self._title, self._serves = name, title, serves
        self._runs, self._mains = runs, mains
        self._needed = needed
        self._by_the_hour = by_the_hour
        self._on: bool | None = None
        self._since_us = 0
        self._seen = False  # the begin of the state that lasts
        self._pauses: deque[int] = deque(maxlen=KEPT)
        self._lasted: deque[int] = deque(maxlen=KEPT)

    def moved(self, point: str, move: Moved, change: PointChanged) -> None:
        self._follow(move.at_us, seen=move.before is not None)

    def hidden(self, last_good_us: int, panel: str) -> None:
        self._follow(last_good_us, seen=False)

    def found(self, now_us: int, panel: str) -> None:
        self._follow(now_us, seen=False)

    def _running(self) -> bool | None:
        runs = [self.contacts.made(point) for point in self._runs]
        return True if True in runs else None if None in runs else False

    def _follow(self, at_us: int, *, seen: bool) -> None:
        on = self._running()
        if self._mains is not None and self.contacts.made(self._mains) is not True:
            on = None
        if on is self._on:
            return
        if self._on is not None and on is not None and seen and self._seen:
            (self._lasted if self._on else self._pauses).append(at_us - self._since_us)
        self._seen = seen and self._on is not None
        self._on, self._since_us = on, at_us

    def claims(self, now_us: int) -> list[Claim]:
        del now_us
        standing = None if self._on is None else not self._on
        counted = [self.contacts.made(point) for point in self._runs]
        found = []
        pause_s = self._longest_s(self._pauses)
        if pause_s is not None:
            found.append(Claim(f"{self._name}.stands_still", standing, pause_s, self._tell_still))
        lasted_s = self._longest_s(self._lasted)
        if self._by_the_hour and lasted_s is not None:
            found.append(Claim(f"{self._name}.runs_on", self._on, lasted_s, self._tell_on))
        if len(counted) > self._needed:
            more = None if None in counted else counted.count(True) > self._needed
            found.append(
                Claim(f"{self._name}.more_run_than_needed", both(more, self._on), EXCESS_S,
                      self._tell_more)
            )  # fmt: skip
        return found

    def _longest_s(self, kept: deque[int]) -> float | None:
        if len(kept) < STANDSTILL_LEAST_PAUSES:
            return None
        return max(NO_AIR_S, STANDSTILL_FACTOR * max(kept) / 1e6)

    def _tell_still(self) -> str:
        served = f"; without it: {self._serves}" if self._serves else ""
        return diagnosis(
            f"{self._title}: nothing has run for {duration(self._longest_s(self._pauses) or 0.0)}"
            + served,
            f"Its longest pause of late was {duration(max(self._pauses) / 1e6)}",
            "fault lamps, selectors and the time switch; then contactor and belt", MACHINE,
        )  # fmt: skip

    def _tell_on(self) -> str:
        return diagnosis(
            f"{self._title} has run for {duration(self._longest_s(self._lasted) or 0.0)} without "
            "a pause",
            f"Its longest run of late was {duration(max(self._lasted) / 1e6)}",
            "selector, time switch and contactor (welded, stuck)", MACHINE,
        )  # fmt: skip

    def _tell_more(self) -> str:
        return diagnosis(
            f"{self._title}: more machines run than the {self._needed} needed",
            "They overlap for moments at a changeover",
            "which of them the panel does not call: selector in hand, contactor welded or stuck",
            MACHINE,
        )  # fmt: skip

    def save(self) -> Saved:
        return {
            **super().save(), "on": self._on, "since_us": self._since_us, "seen": self._seen,
            "pauses": list(self._pauses), "lasted": list(self._lasted),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        super().restore(saved)
        try:
            self._on, self._seen = cast(bool | None, saved["on"]), bool(saved["seen"])
            self._since_us = cast(int, saved["since_us"])
            self._pauses.clear()
            self._pauses.extend(cast(list[int], saved["pauses"]))
            self._lasted.clear()
            self._lasted.extend(cast(list[int], saved["lasted"]))
        except KeyError as missing:
            raise ValueError(f"the saved state of {self.name} lacks {missing}") from None
