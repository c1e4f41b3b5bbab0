"""Filter cleanings that do not end or do not come, and dosing that goes apart from the water."""

from __future__ import annotations

from collections.abc import Sequence

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch, both, inverse
from collector.core.diagnosis.limits import CLEANING_CALLED_S, DOSING_APART_S, TANK_LOW_S
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import CHEMICAL, MACHINE, diagnosis, duration
from collector.core.process.contacts import Moved
from collector.core.records import PointChanged
from collector.core.wells.well_flow import WellFlow
from collector.plant.equipment import DosingPump, Filter


class FilterWatch(ContactWatch):
    """One filter.

    Args:
        name, part: from the plant file.
        flows: of the well whose water passes it, or None.
        mains: contact that says there is voltage, or None.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, name: str, part: Filter, flows: WellFlow | None, mains: str | None, sure_us: int
    ) -> None:
        points = (part.cleaning, part.level, part.fault, mains)
        super().__init__(f"{name}.watch", points, sure_us)
        self._filter, self._part, self._flows, self._mains = name, part, flows, mains
        self._pumped_m3: float | None = None  # at the end of the last cleaning
        self._at_us: int | None = None

    def moved(self, point: str, move: Moved, change: PointChanged) -> None:
        if point == self._part.cleaning:
            self._pumped_m3 = self._at_us = None
            if move.breaks:
                self._at_us = move.at_us
                self._pumped_m3 = self._passed(change.by_us)
        elif point != self._part.level and self._at_us is not None:
            # It could not clean; from here on it can again.
            self._at_us, self._pumped_m3 = change.by_us, self._passed(change.by_us)

    def hidden(self, last_good_us: int, panel: str) -> None:
        self._pumped_m3 = self._at_us = None

    def _passed(self, now_us: int) -> float | None:
        return None if self._flows is None else self._flows.look(now_us).pumped_total_m3.value

    def claims(self, now_us: int) -> list[Claim]:
        part = self._part
        cleans = self.contacts.made(part.cleaning)
        fine = True if part.fault is None else inverse(self.contacts.made(part.fault))
        powered = True if self._mains is None else self.contacts.made(self._mains)
        can = both(fine, powered)
        found = []
        if part.longest_cleaning_min is not None:
            found.append(
                Claim(f"{self._filter}.cleaning_does_not_end", cleans,
                      60.0 * part.longest_cleaning_min, self._tell_endless)
            )  # fmt: skip
        missing = None if not can else inverse(cleans)
        if part.level is not None:
            called = self.contacts.made(part.level)
            none_comes = False if cleans else both(missing, called) or None
            found.append(
                Claim(f"{self._filter}.cleaning_does_not_begin", none_comes, CLEANING_CALLED_S,
                      self._tell_called)
            )  # fmt: skip
        if part.longest_interval_h is not None:
            late: bool | None = None
            if cleans:
                late = False
            elif self.standing.stands(f"{self._filter}.cleaning_does_not_begin"):
                late = None  # said already
            elif missing and self._at_us is not None and self._pumped_m3 is not None:
                passed = self._passed(now_us)
                late = passed is not None and passed > self._pumped_m3
            found.append(
                Claim(f"{self._filter}.cleaning_does_not_come", late,
                      3600.0 * part.longest_interval_h, self._tell_late, since_us=self._at_us)
            )  # fmt: skip
        return found

    def _tell_endless(self) -> str:
        limit = duration(60.0 * (self._part.longest_cleaning_min or 0.0))
        return diagnosis(
            f"{self._part.title}: a cleaning cycle has been running for {limit} and does not end",
            f"The plant file allows {limit}",
            "the drive (does the cloth turn), the suction and its pump, the level it should reach; "
            "it sends wash water back all the while", MACHINE,
        )  # fmt: skip

    def _tell_called(self) -> str:
        return diagnosis(
            f"{self._part.title}: its level calls for a cleaning and none begins",
            f"One begins within {duration(CLEANING_CALLED_S)}",
            "drive, vacuum pump and their protection; the level is on its way to the bypass",
            MACHINE,
        )  # fmt: skip

    def _tell_late(self) -> str:
        limit = duration(3600.0 * (self._part.longest_interval_h or 0.0))
        return diagnosis(
            f"{self._part.title}: water flows, and there was no cleaning for {limit}",
            f"The plant file expects one within {limit}",
            "the level contact, and whether the water goes past the cloth (torn, bypass open)",
            MACHINE,
        )  # fmt: skip

    def save(self) -> Saved:
        return {**super().save(), "pumped_m3": self._pumped_m3, "at_us": self._at_us}

    def restore(self, saved: Saved) -> None:
        super().restore(saved)
        at_us, pumped_m3 = saved.get("at_us"), saved.get("pumped_m3")
        self._at_us = at_us if isinstance(at_us, int) else None
        self._pumped_m3 = pumped_m3 if isinstance(pumped_m3, float) else None


class DosingWatch(ContactWatch):
    """One dosing pump.

    Args:
        name, part: from the plant file.
        feeds: run contacts of the pumps whose water it treats; empty where that is not known.
        mains: contact that says there is voltage, or None.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, name: str, part: DosingPump, feeds: Sequence[str], mains: str | None, sure_us: int
    ) -> None:
        points = (part.run, part.fault, part.tank_low, mains, *feeds)
        super().__init__(f"{name}.watch", points, sure_us)
        self._name, self._part, self._feeds, self._mains = name, part, tuple(feeds), mains

    def claims(self, now_us: int) -> list[Claim]:
        del now_us
        part, found = self._part, []
        if part.tank_low is not None:
            low = self.contacts.made(part.tank_low)
            found.append(Claim(f"{self._name}.tank_low", low, TANK_LOW_S, self._tell_low))
        if part.run is not None and self._feeds:
            runs = self.contacts.made(part.run)
            feeds = [self.contacts.made(point) for point in self._feeds]
            flows = True if True in feeds else None if None in feeds else False
            fine = True if part.fault is None else inverse(self.contacts.made(part.fault))
            powered = True if self._mains is None else self.contacts.made(self._mains)
            lacking = both(both(flows, inverse(runs)), both(fine, powered))
            found.append(
                Claim(f"{self._name}.does_not_dose", False if runs else lacking or None,
                      DOSING_APART_S, self._tell_none)
            )  # fmt: skip
            dry = False if runs is False else both(runs, inverse(flows)) or None
            found.append(
                Claim(f"{self._name}.doses_without_flow", dry,
                      DOSING_APART_S, self._tell_dry)
            )  # fmt: skip
        return found

    @property
    def _cautions(self) -> tuple[str, ...]:
        return (*MACHINE, *(CHEMICAL if self._part.chemical == "hypochlorite" else ()))

    def _tell_low(self) -> str:
        left = "" if self._part.low_at_l is None else f", about {self._part.low_at_l:g} L are left"
        return diagnosis(
            f"{self._part.title}: its day tank is low{left}", "",
            "the tank and the stock; never fill it with anything but what it is marked for",
            self._cautions[1:] or ("chemical: goggles and gloves",),
        )  # fmt: skip

    def _tell_none(self) -> str:
        return diagnosis(
            f"{self._part.title}: water is pumped, and the dosing pump has stood for "
            f"{duration(DOSING_APART_S)}", "It runs while water flows",
            "its protection and plug, then the contact that calls it", self._cautions,
        )  # fmt: skip

    def _tell_dry(self) -> str:
        return diagnosis(
            f"{self._part.title}: the dosing pump has run for {duration(DOSING_APART_S)} with no "
            "water flowing", "It stands while no water flows",
            "its contactor and the contact that calls it; the tank after it is being overdosed",
            self._cautions,
        )  # fmt: skip
