"""Batches of a towed tank: counted and measured, wherever it was filled.

While it is docked its panel answers (or its ``docked`` contact is made); what it holds less when it
leaves than when it came was emptied. The volume comes from the level, where it is measured, else
from what its pumps gave by the estimate, else from the floats, and the record says which. A radio
that falls silent for less than ``SAME_DOCKING_US`` has not driven away: the docking goes on. So a
batch is told that long after its end, with the instants at which it happened.

While docked nothing flows in; what an overfilled hose loses is not seen.

That it is away is known, and nothing is emptied meanwhile. While nobody watches (the collector
stopped, say) it may come and go: that is unknown time, if it lasts long enough for a batch.
"""

from __future__ import annotations

from collector.core.component import Reading, Saved
from collector.core.process.contacts import Contacts
from collector.core.process.telling import Told, plain, saved_numbers
from collector.core.process.volumes import FlowSource, Volume, between
from collector.core.records import AWAY, Derived, Event, Output, PointChanged, Quality
from collector.core.wells.geometry import Geometry
from collector.plant.equipment import Well

SAME_DOCKING_US = 600_000_000
"""No tank leaves, is filled and comes back within ten minutes (our choice)."""

METER_ERROR_M = 0.005
"""What a level may be off beside its deadband: ripples (common practice, no source)."""

BY_LEVEL, BY_PUMP, BY_FLOATS = "by the level", "by the pumps", "by the floats"
NOT_MEASURED = "neither level nor floats were known"
STAY_NOT_WATCHED = "not all of the stay was watched"
UNSEEN = "others may have come unseen"


class Batches:
    """The dockings of one towed tank.

    Args:
        well_name, well: from the plant file; all its points are on one panel that visits, or it
            has a ``docked`` contact.
        geometry: level and volume.
        level_error_m: by how much the truth may be off the recorded level.
        pumped: what its pumps gave, or None.
    """

    def __init__(
        self, well_name: str, well: Well, geometry: Geometry, level_error_m: float,
        pumped: FlowSource | None,
    ) -> None:  # fmt: skip
        self.well = well_name
        self.name = f"{well_name}.batches"
        self._floats = [(switch.point, switch) for _, switch in well.floats.by_role()]
        self._contacts = Contacts([well.docked, *(point for point, _ in self._floats)])
        self._docked_point = well.docked
        self._level_point = well.level
        self.points = tuple(
            dict.fromkeys([*self._contacts.points, *([well.level] if well.level else [])])
        )
        self._panel = self.points[0].partition(".")[0]
        self._geometry = geometry
        self._top_m = well.overflow_m
        self._error_m = level_error_m + METER_ERROR_M
        self._pumped = pumped
        self.batches = 0
        self._total = [0.0, 0.0, 0.0]  # m3: value, low, high
        self._unmeasured = 0
        self._unmeasured_us = 0  # their stays
        self._unseen_us = 0  # time in which a batch may have come and gone
        self._unseen_since_us: int | None = None
        self._level_m: float | None = None
        # The docking under way: its begin, what it held then (value, low, high; m3), what its pumps
        # had given, and if it may be over, since when and what it held last.
        self._begin_us: tuple[int, int] | None = None
        self._held: list[float] | None = None
        self._given: Volume | None = None
        self._end_us: tuple[int, int] | None = None
        self._left: tuple[list[float] | None, Volume | None] = (None, None)
        self._hidden = False
        self._told = Told()

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        if change.point == self._level_point:
            good = change.quality is not Quality.BAD and isinstance(change.value, int | float)
            self._level_m = float(change.value or 0.0) if good else None
        else:
            before = self._measure()
            moved = self._contacts.take(change)
            if change.point == self._docked_point:
                if moved.made:
                    self._dock(change.after_us if moved.before is not None else change.by_us,
                               change.by_us)  # fmt: skip
                elif moved.breaks:
                    self._undock(change.after_us, change.by_us, before, change.by_us)
        if self._begin_us is not None and self._end_us is None and self._held is None:
            self._held = self._measure()  # floats and level come one after the other
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        if panel != self._panel:
            return []
        if reason == AWAY:
            self._see(by_us)
        elif self._unseen_since_us is None:
            self._unseen_since_us = last_good_us
        measured = self._measure()
        self._contacts.lose(panel)
        if self._docked_point is None or reason == AWAY:
            self._undock(last_good_us, by_us, measured, by_us)
            self._hidden = self._hidden or (reason != AWAY and self._begin_us is not None)
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        if panel != self._panel:
            return []
        self._see(by_us)
        self._contacts.find(panel)
        if self._docked_point is None or self._contacts.made(self._docked_point):
            self._dock(by_us, by_us)
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int | None:
        """When a tank that fell silent counts as gone."""
        return None if self._end_us is None else self._end_us[0] + SAME_DOCKING_US

    def wake(self, at_us: int) -> list[Output]:
        return self._finish(at_us)

    def _see(self, at_us: int) -> None:
        """From now on it is known again whether it is there."""
        self._unseen_us = self._unseen_until(at_us)
        self._unseen_since_us = None

    def _unseen_until(self, at_us: int) -> int:
        since_us = at_us if self._unseen_since_us is None else self._unseen_since_us
        lasts_us = at_us - since_us
        return self._unseen_us + (lasts_us if lasts_us >= SAME_DOCKING_US else 0)

    # --- dockings -------------------------------------------------------------------------------

    def _dock(self, after_us: int, by_us: int) -> None:
        if self._end_us is not None:  # silent for a moment only
            self._end_us, self._left = None, (None, None)
        elif self._begin_us is None:
            self._begin_us = (after_us, by_us)
            self._given = None if self._pumped is None else self._pumped.volume_until(by_us)
            self._held = self._measure()
            self._hidden = False

    def _undock(self, after_us: int, by_us: int, measured: list[float] | None, at_us: int) -> None:
        if self._begin_us is None or self._end_us is not None:
            return
        given = None if self._pumped is None else self._pumped.volume_until(at_us)
        self._end_us, self._left = (after_us, by_us), (measured, given)

    def _finish(self, at_us: int) -> list[Output]:
        if self._begin_us is None or self._end_us is None:
            return []
        value, low, high, how = self._volume()
        begin_us, (after_us, by_us) = self._begin_us, self._end_us
        self.batches += 1
        found: list[Output] = [
            Event(f"{self.well}.docked", *begin_us),
            Event(f"{self.well}.undocked", after_us, by_us, (by_us - begin_us[1]) / 1e6),
            Derived(f"{self.well}.batches", float(self.batches), Quality.GOOD, at_us),
        ]
        if value is None:
            self._unmeasured += 1
            self._unmeasured_us += max(0, by_us - begin_us[0])
            found.append(Derived(f"{self.well}.batch_volume", None, Quality.BAD, at_us, reason=how))
        else:
            self._total = [a + b for a, b in zip(self._total, (value, low, high), strict=True)]
            why = f"{how}; {STAY_NOT_WATCHED}" if self._hidden else how
            found.append(
                Derived(f"{self.well}.batch_volume", value,
                        Quality.UNCERTAIN if self._hidden else Quality.GOOD, at_us, low, high, why)
            )  # fmt: skip
        doubts = [f"{self._unmeasured} batches were not measured"] if self._unmeasured else []
        if self._unseen_us:
            doubts.append(UNSEEN)
        found.append(
            Derived(f"{self.well}.batch_total", self._total[0],
                    Quality.UNCERTAIN if doubts else Quality.GOOD, at_us, self._total[1],
                    None if doubts else self._total[2], "; ".join(doubts))
        )  # fmt: skip
        self._begin_us = self._end_us = self._held = self._given = None
        self._left = (None, None)
        return found

    def _volume(self) -> tuple[float | None, float, float, str]:
        """Volume of the batch with its bounds, m3, and how it was found."""
        left, given = self._left
        metered = self._level_point is not None
        by_heights = None
        if self._held is not None and left is not None:
            value = max(0.0, self._held[0] - left[0])
            by_heights = (value, max(0.0, self._held[1] - left[2]),
                          max(0.0, self._held[2] - left[1]))  # fmt: skip
        if by_heights is not None and metered:
            return *by_heights, BY_LEVEL
        if self._pumped is not None and self._given is not None and given is not None:
            span = between(self._given, given, 1.0, self._pumped.share)
            if span.unknown_s == 0.0 and span.high_m3 is not None:
                return span.m3, span.low_m3, span.high_m3, BY_PUMP
        if by_heights is not None:
            return *by_heights, BY_FLOATS
        return None, 0.0, 0.0, NOT_MEASURED

    def _measure(self) -> list[float] | None:
        """What it holds by level or floats, m3: value, low, high; None if nobody knows."""
        level_m, error_m = self._level_m, self._error_m
        if self._level_point is not None:
            if level_m is None:
                return None
            heights = (level_m, max(0.0, level_m - error_m), level_m + error_m)
            return [self._geometry.volume_m3(each) for each in heights]
        low_m, high_m = 0.0, self._top_m
        known = False
        for point, switch in self._floats:
            made = self._contacts.made(point)
            known = known or made is not None
            if made:
                low_m = max(low_m, switch.breaks_m)
            elif made is False:
                high_m = switch.makes_at_m if high_m is None else min(high_m, switch.makes_at_m)
        if not known or high_m is None:
            return None
        low, high = self._geometry.volume_m3(low_m), self._geometry.volume_m3(high_m)
        return [(low + high) / 2.0, low, high]

    def readings(self, at_us: int) -> dict[str, Reading]:
        """See ``Counting``."""
        count, unseen_us = float(self.batches), self._unseen_until(at_us)
        value, low, high = self._total
        return {
            f"{self.well}.batches": Reading(count, count, count, unseen_us, bounded=False),
            f"{self.well}.batch_total": Reading(
                value, low, high, unseen_us + self._unmeasured_us, bounded=False
            ),
        }

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        left, given = self._left

        def volume(of: Volume | None) -> list[int | float | str | None] | None:
            if of is None or of.unknown_most_m3 == float("inf"):
                return None
            return plain((of.m3, of.error_m3, of.unknown_s, of.unknown_most_m3))

        return {
            "contacts": self._contacts.save(), "level_m": self._level_m, "hidden": self._hidden,
            "batches": self.batches, "unmeasured": self._unmeasured, "total": plain(self._total),
            "begin_us": None if self._begin_us is None else plain(self._begin_us),
            "end_us": None if self._end_us is None else plain(self._end_us),
            "unseen": plain((self._unmeasured_us, self._unseen_us)),
            "unseen_since_us": self._unseen_since_us,
            "held": None if self._held is None else plain(self._held),
            "left": None if left is None else plain(left),
            "given": volume(self._given), "given_left": volume(given),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        def numbers(name: str) -> list[float] | None:
            return None if saved.get(name) is None else saved_numbers(saved, name)

        batches, unmeasured = saved.get("batches"), saved.get("unmeasured")
        if not isinstance(batches, int) or not isinstance(unmeasured, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._total = saved_numbers(saved, "total")
        self._unmeasured_us, self._unseen_us = (int(us) for us in saved_numbers(saved, "unseen"))
        since_us = saved.get("unseen_since_us")
        self._unseen_since_us = since_us if isinstance(since_us, int) else None
        self._contacts.restore(saved.get("contacts"))
        level_m = saved.get("level_m")
        self._level_m = float(level_m) if isinstance(level_m, int | float) else None
        self._hidden = bool(saved.get("hidden"))
        self.batches, self._unmeasured = batches, unmeasured
        begin, end, given, left = (
            numbers(name) for name in ("begin_us", "end_us", "given", "given_left")
        )
        self._begin_us = None if begin is None else (int(begin[0]), int(begin[1]))
        self._end_us = None if end is None else (int(end[0]), int(end[1]))
        self._held = numbers("held")
        self._given = None if given is None else Volume(*given)
        self._left = (numbers("left"), None if left is None else Volume(*left))
