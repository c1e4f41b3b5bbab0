"""How much of a chemical a dosing pump has used, from its run time or its strokes.

    use = rated rate x run time, or volume of a stroke x strokes

Strokes are taken where they are counted: a pump may run without pumping, but it does not stroke
without moving. ``rate_tolerance_percent`` widens the bounds; without it they hold only the doubt of
time and count.
"""

from __future__ import annotations

from collector.core.component import Reading, Saved
from collector.core.process.counters import ROLLED_OVER, CounterTrack
from collector.core.process.volumes import NEGLIGIBLE_US, UNKNOWN_TIME
from collector.core.records import Event, Output, PointChanged, Quality
from collector.core.runs import RunMeter
from collector.plant.equipment import DosingPump

HIDDEN = "its counter was set back or replaced"
NOT_READ = "its counter is not read"


class ChemicalUse:
    """The use of one dosing pump.

    Args:
        name, part: from the plant file.
        runs: its run meter, which is told of a change before this is; None if it has no contact.
        strokes: its counter, or None.
        start_us: plant time at which watching begins.
    """

    def __init__(
        self, name: str, part: DosingPump, runs: RunMeter | None, strokes: CounterTrack | None,
        start_us: int,
    ) -> None:  # fmt: skip
        self._pump = name
        self._off = (part.rate_tolerance_percent or 0.0) / 100.0
        self._per_stroke_m3 = (part.ml_per_stroke or 0.0) * 1e-6
        self._rate_m3_s = (part.rated_l_per_h or 0.0) / 3.6e6
        self._strokes = strokes if part.ml_per_stroke is not None else None
        self._runs = runs if part.rated_l_per_h is not None and self._strokes is None else None
        self.counter = part.strokes if self._strokes is not None else None
        self.run = part.run if self._runs is not None else None
        self._unread_us: int | None = start_us  # since when the counter is not read
        self._never_read_us = 0

    @property
    def known(self) -> bool:
        """Whether the plant file gives a rate."""
        return self._strokes is not None or self._runs is not None

    @property
    def edge_m3(self) -> float:
        """By how much a figure may be off at an instant because the counter moves in steps."""
        return 0.0 if self._strokes is None else self._strokes.resolution * self._per_stroke_m3

    def read(self, change: PointChanged) -> list[Output]:
        """The counter has another value or quality."""
        if change.quality is Quality.BAD or not isinstance(change.value, int | float):
            self._unread_us = change.after_us if self._unread_us is None else self._unread_us
            return []
        assert self._strokes is not None
        self._found(change.by_us)
        word = self._strokes.read(float(change.value), change.after_us, change.by_us)
        if word in ("", ROLLED_OVER):
            return []
        event = Event(f"{self._pump}.counter_changed", change.after_us, change.by_us, reason=word)
        return [event]

    def lost(self, panel: str, last_good_us: int) -> None:
        """Nothing on a panel is read any more."""
        if self.counter is not None and self.counter.partition(".")[0] == panel:
            self._unread_us = last_good_us if self._unread_us is None else self._unread_us

    def returned(self, panel: str, by_us: int) -> None:
        """The panel is read again."""
        if (
            self._strokes is not None
            and self._strokes.read_us is not None
            and self.counter is not None
            and self.counter.partition(".")[0] == panel
        ):
            self._found(by_us)

    def _found(self, at_us: int) -> None:
        """The counter is read again: what it counted in between is known, only not when."""
        if self._unread_us is not None and self._strokes is not None:
            if self._strokes.read_us is None:
                self._never_read_us += max(0, at_us - self._unread_us)
            self._unread_us = None

    def until(self, at_us: int) -> Reading:
        """Use up to an instant, m3 of solution; only if ``known``."""
        low, high = 1.0 - self._off, 1.0 + self._off
        if self._strokes is not None:
            grown, per = self._strokes.grown, self._per_stroke_m3
            most = grown + self._strokes.doubt
            waiting_us = 0 if self._unread_us is None else max(0, at_us - self._unread_us)
            return Reading(
                grown * per, grown * per * low, most * per * high,
                self._never_read_us + waiting_us, self.edge_m3, self._unread_us is None,
            )  # fmt: skip
        if self._runs is None:
            return Reading(0.0, 0.0, 0.0, at_us, bounded=False)
        known_s, rate = self._runs.known_on_until(at_us) / 1e6, self._rate_m3_s
        margin_s, unknown_us = self._runs.bracket_us / 1e6, self._runs.unknown_until(at_us)
        return Reading(
            known_s * rate, max(0.0, known_s - margin_s) * rate * low,
            (known_s + margin_s + unknown_us / 1e6) * rate * high, unknown_us,
        )  # fmt: skip

    def doubt(self, unknown_us: int) -> str:
        """Why the use is not certain within its bounds; empty if it is."""
        if self._strokes is not None and self._unread_us is not None:
            return NOT_READ
        if self._strokes is not None and self._strokes.doubt:
            return HIDDEN
        return UNKNOWN_TIME if unknown_us > NEGLIGIBLE_US else ""

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "strokes": None if self._strokes is None else self._strokes.save(),
            "unread_us": self._unread_us, "never_read_us": self._never_read_us,
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict) or not isinstance(saved.get("never_read_us"), int):
            raise ValueError(f"the saved use of {self._pump} is of another form")
        if self._strokes is not None:
            self._strokes.restore(saved.get("strokes"))
        self._unread_us, self._never_read_us = saved.get("unread_us"), saved["never_read_us"]
