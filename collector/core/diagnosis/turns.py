"""Whose turn it was: alternation of the lead, and who needs help from the lag pump.

A cycle begins with the first pump that starts after all stood, and ends when all stand again. Only
cycles seen from begin to end count, and only those that one pump clearly led.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from functools import partial
from typing import cast

from collector.core.component import Saved
from collector.core.diagnosis.limits import (
    LAG_CYCLES,
    LAG_LEAST_CYCLES,
    LAG_OFTEN,
    LAG_SELDOM,
    SAME_LEAD_CYCLES,
)
from collector.core.diagnosis.pump_calls import CalledPump
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import MACHINE, PUMP, diagnosis
from collector.core.process.telling import plain


class Turns:
    """The cycles of one well.

    Args:
        well, title: its name and what people call it.
        pumps: in the order in which they take turns.
        alternating: whether they are meant to.
    """

    def __init__(
        self, well: str, title: str, pumps: Sequence[CalledPump], *, alternating: bool
    ) -> None:
        self._well, self._title = well, title
        self._titles = {pump.name: pump.title for pump in pumps}
        self._alternating = alternating and len(self._titles) > 1
        self._running: list[str] = []
        self._lead = ""  # of the cycle under way; empty where it is not clear
        self._began_us = 0
        self._lag = False  # the lag pump was called in it
        self._same = 0  # cycles in a row with the same lead
        self._last_lead = ""
        self._cycles: deque[tuple[str, bool]] = deque(maxlen=LAG_CYCLES)

    def started(self, pump: str, by_us: int, *, seen: bool, lag_called: bool) -> None:
        """A pump was seen to start, or (``seen`` false) found running."""
        if not self._running:
            self._lead, self._began_us, self._lag = (pump if seen else ""), by_us, False
        elif by_us == self._began_us:
            self._lead = ""  # two in one scan
        self._lag = self._lag or lag_called
        if pump not in self._running:
            self._running.append(pump)

    def called_lag(self) -> None:
        """The float of the lag pump made."""
        self._lag = True

    def stopped(self, pump: str) -> str | None:
        """A pump stopped; returns the pump whose turn is next, where that is clear."""
        if pump not in self._running:
            return None
        self._running.remove(pump)
        if self._running or not self._lead:
            return None
        lead, self._lead = self._lead, ""
        self._same = self._same + 1 if lead == self._last_lead else 1
        self._last_lead = lead
        self._cycles.append((lead, self._lag))
        names = list(self._titles)
        return names[(names.index(lead) + 1) % len(names)] if self._alternating else lead

    def interrupt(self) -> None:
        """Something may have happened unseen, or a pump is not there to take its turn."""
        self._lead, self._same, self._last_lead = "", 0, ""

    def forget_running(self) -> None:
        """Nobody knows what runs."""
        self._running.clear()
        self.interrupt()

    def claims(self) -> list[Claim]:
        """No alternation, and the lag pump called too often under one lead."""
        if len(self._titles) < 2:
            return []
        found = []
        if self._alternating:
            fixed = True if self._same >= SAME_LEAD_CYCLES else False if self._same == 1 else None
            found.append(Claim(f"{self._well}.no_alternation", fixed, 0.0, self._tell_alternation))
        for name in self._titles:
            counts = self._counts(name)
            often: bool | None = None
            if counts[1] >= LAG_LEAST_CYCLES and counts[3] >= LAG_LEAST_CYCLES:
                own, others = counts[0] / counts[1], counts[2] / counts[3]
                often = own >= LAG_OFTEN and others <= LAG_SELDOM
                if not often and own > 0.5 * LAG_OFTEN:
                    often = None
            found.append(
                Claim(f"{name}.lag_called_often", often, 0.0, partial(self._tell_lag, name))
            )
        return found

    def _counts(self, name: str) -> tuple[int, int, int, int]:
        """Calls of the lag pump and cycles, under this lead and under the others."""
        own = [lag for lead, lag in self._cycles if lead == name]
        others = [lag for lead, lag in self._cycles if lead != name]
        return sum(own), len(own), sum(others), len(others)

    def _tell_alternation(self) -> str:
        return diagnosis(
            f"{self._title}: {self._titles[self._last_lead]} led the last {self._same} cycles",
            "The pumps are to lead in turn", "the panel's changeover (relay, setting) and why the "
            "other is passed over; one pump wears while the other seizes", MACHINE,
        )  # fmt: skip

    def _tell_lag(self, name: str) -> str:
        calls, cycles, other_calls, other_cycles = self._counts(name)
        return diagnosis(
            f"With {self._titles[name]} leading, the lag pump was called in {calls} of the last "
            f"{cycles} cycles",
            f"With the other leading, in {other_calls} of {other_cycles}; an inflow peak does not "
            "mind who leads",
            f"{self._titles[name]}: rag in the impeller, worn, its valve not fully open", PUMP,
        )  # fmt: skip

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "running": plain(self._running), "lead": self._lead, "began_us": self._began_us,
            "lag": self._lag, "same": self._same, "last_lead": self._last_lead,
            "leads": plain(lead for lead, _ in self._cycles),
            "lags": [int(lag) for _, lag in self._cycles],
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved cycles are of another form")
        self._running = [name for name in saved["running"] if name in self._titles]
        self._lead, self._began_us = saved["lead"], saved["began_us"]
        self._lag, self._same = saved["lag"], saved["same"]
        self._last_lead = saved["last_lead"]
        leads, lags = cast(list[str], saved["leads"]), cast(list[int], saved["lags"])
        self._cycles = deque(
            ((lead, bool(lag)) for lead, lag in zip(leads, lags, strict=True)), maxlen=LAG_CYCLES
        )
        if {self._lead, self._last_lead, *leads} - {"", *self._titles}:
            raise ValueError("the saved cycles are of other pumps")
