"""Floats of a well: what they did, and between which heights the water stands.

A float that is made says that the water is above the height at which it breaks; one that hangs
says that it is below the height at which it makes. The band is what all floats together allow.
Floats that contradict each other (an upper one made, a lower one not) leave no band: they are out
of order. A float that is not known narrows nothing.

Source: geometry of float switches with a differential; common practice, no source.
"""

from __future__ import annotations

from collector.core.component import Saved
from collector.core.records import Derived, Event, Output, PointChanged, Quality
from collector.plant.equipment import Well

OUT_OF_ORDER = "floats out of order"


class FloatBank:
    """The floats of one well, bottom up.

    Args:
        name: the well, as in the plant file.
        well: its heights, m above the floor.
    """

    def __init__(self, name: str, well: Well) -> None:
        self.name = name
        self._floats = well.floats.by_role()
        self._role_of = {switch.point: role for role, switch in self._floats}
        self.points = tuple(self._role_of)
        self.made: dict[str, bool | None] = {role: None for role, _ in self._floats}
        self._before: dict[str, bool | None] = dict(self.made)
        self._top_m = well.overflow_m
        self._told: tuple[str, float | None, float | None] | None = None

    def point_changed(self, change: PointChanged) -> list[Output]:
        role = self._role_of[change.point]
        if change.value is None or change.quality is Quality.BAD:
            self.made[role] = self._before[role] = None
            return self._band(change.by_us, change.reason)
        made, before = bool(change.value), self.made[role]
        if before is None:  # it may have moved unseen, during a gap
            before = self._before[role]
        self.made[role] = made
        found = self._band(change.by_us)
        if before is not None and made != before:
            happened = "made" if made else "broke"
            subject = f"{self.name}.float_{role}_{happened}"
            found.insert(0, Event(subject, change.after_us, change.by_us))
        return found

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del last_good_us
        for point, role in self._role_of.items():
            if point.partition(".")[0] == panel and self.made[role] is not None:
                self._before[role] = self.made[role]
                self.made[role] = None
        return self._band(by_us, reason)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        for point, role in self._role_of.items():
            if point.partition(".")[0] == panel and self.made[role] is None:
                self.made[role] = self._before[role]
        return self._band(by_us)

    def report(self, at_us: int) -> list[Output]:
        del at_us
        return []

    def band(self) -> tuple[str, float | None, float | None]:
        """Words for the band, and its lower and upper height in m; None where it is open."""
        low_m, high_m = 0.0, self._top_m
        above, below = "", ""
        for role, switch in self._floats:
            made = self.made[role]
            if made is True and switch.breaks_m >= low_m:
                low_m, above = switch.breaks_m, role
        for role, switch in reversed(self._floats):
            if self.made[role] is False and (high_m is None or switch.makes_at_m <= high_m):
                high_m, below = switch.makes_at_m, role
        if all(made is None for made in self.made.values()):
            return "unknown", None, None
        if above and below and self._ranks(above) > self._ranks(below):
            return "out of order", None, None
        if above and below:
            return f"between {above} and {below}", low_m, high_m
        if above:
            return f"above {above}", low_m, high_m
        return f"below {below}", low_m, high_m

    def _ranks(self, role: str) -> int:
        return [name for name, _ in self._floats].index(role)

    def _band(self, at_us: int, reason: str = "") -> list[Output]:
        told = self.band()
        if told == self._told:
            return []
        self._told = told
        words, low_m, high_m = told
        quality, why = Quality.GOOD, ""
        if words == "unknown":
            quality, why = Quality.BAD, reason
        elif words == "out of order":
            quality, why = Quality.UNCERTAIN, OUT_OF_ORDER
        elif None in self.made.values():
            quality, why = Quality.UNCERTAIN, "a float is not known"
        return [Derived(f"{self.name}.level_band", words, quality, at_us, low_m, high_m, why)]

    def save(self) -> Saved:
        saved: Saved = {
            "made": dict(self.made.items()),
            "before": dict(self._before.items()),
        }
        return saved

    def restore(self, saved: Saved) -> None:
        for kept, ours in (("made", self.made), ("before", self._before)):
            part = saved.get(kept)
            if not isinstance(part, dict):
                raise ValueError(f"float state of {self.name} lacks {kept}")
            for role in ours:
                made = part.get(role)
                ours[role] = made if isinstance(made, bool) else None
        self._told = self.band()
