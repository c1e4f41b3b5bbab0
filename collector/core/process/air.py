"""Air: changeovers, a standby that can step in, and time without any blower.

The blowers of a group also lift the sludge back (airlifts): no air means no sludge return, so the
time without air is the time without return for every tank the group serves. Air is known to be
there as soon as one blower is known to run, and known to be missing only if all are known to stand.

A changeover is another set of blowers doing the duty: with one needed, the sole blower that runs is
another than the sole one before, however long both ran or none did in between. Pauses of the same
blower are none. After a gap more may have happened than was seen.

Source: definitions, common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from collector.core.component import Reading, Saved
from collector.core.process.contacts import Contacts
from collector.core.process.stretches import Stretches
from collector.core.process.telling import Told, plain
from collector.core.process.volumes import NEGLIGIBLE_US, UNKNOWN_TIME
from collector.core.records import Derived, Event, Output, PointChanged, Quality
from collector.plant.equipment import Blower, Group

AIR, NO_AIR, UNKNOWN = "air", "no air", "unknown"
AVAILABLE, NOT_AVAILABLE = "available", "not available"
MAY_HIDE = "changeovers may hide in gaps"
TOLD_STEP_S = 60.0


class AirSupply:
    """The blowers of one group.

    Args:
        name, group: from the plant file.
        members: the blowers by name.
        start_us: plant time at which watching begins.
    """

    def __init__(
        self, name: str, group: Group, members: Mapping[str, Blower], start_us: int
    ) -> None:
        self.group = name
        self.name = f"{name}.air"
        self._needed = group.needed
        self._members = dict(members)
        self._contacts = Contacts(
            point for each in members.values() for point in (each.run, each.fault, each.auto)
        )
        self.points = self._contacts.points
        self.lacking = Stretches(start_us)
        self.changeovers = 0
        self._hidden = False
        self._duty: list[str] = []
        self._told = Told()

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        moved = self._contacts.take(change)
        after_us = change.after_us if moved.before is not None else moved.at_us
        return self._follow(moved.at_us, moved.half_us, after_us, change.by_us)

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        del reason
        self._contacts.lose(panel)
        return self._follow(last_good_us, 0, last_good_us, by_us)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        self._contacts.find(panel)
        return self._follow(by_us, 0, by_us, by_us)

    def report(self, at_us: int, known_us: int) -> list[Output]:
        if self.lacking.state is False:
            return []
        found = self._total(at_us, known_us)
        if self.lacking.state:
            found += self._present(at_us, known_us)
        return found

    # --- what it knows --------------------------------------------------------------------------

    def standby(self) -> tuple[str, str]:
        """Whether a blower beyond those needed could run, and why not."""
        can, unknown, why = 0, 0, []
        for name, blower in self._members.items():
            fault = self._contacts.made(blower.fault)
            auto = self._contacts.made(blower.auto)
            if fault is True:
                why.append(f"{name} has a fault")
            elif auto is False:
                why.append(f"{name} is not in auto")
            elif (
                self._contacts.made(blower.run) is None
                or (blower.fault is not None and fault is None)
                or (blower.auto is not None and auto is None)
            ):
                unknown += 1
            else:
                can += 1
        if can > self._needed:
            return AVAILABLE, ""
        if can + unknown > self._needed:
            return UNKNOWN, "contacts not known"
        return NOT_AVAILABLE, ", ".join(why)

    def readings(self, at_us: int) -> dict[str, Reading]:
        """See ``Counting``."""
        count = float(self.changeovers)
        unknown_us = self.lacking.reading(at_us).unknown_us
        return {
            f"{self.group}.time_without_air": self.lacking.reading(at_us),
            f"{self.group}.changeovers": Reading(count, count, count, unknown_us, bounded=False),
        }

    def _follow(self, at_us: int, half_us: int, after_us: int, by_us: int) -> list[Output]:
        runs = {name: self._contacts.made(blower.run) for name, blower in self._members.items()}
        lacking: bool | None = None
        if any(runs.values()):
            lacking = False
        elif all(run is False for run in runs.values()):
            lacking = True
        before = self.lacking.state
        unseen = self.lacking.begun_unseen
        ended_us = self.lacking.set(lacking, at_us, half_us)
        found: list[Output] = []
        if before is False and lacking:
            found.append(Event(f"{self.group}.air_lost", after_us, by_us))
        if before and lacking is False and ended_us is not None:
            found.append(
                Event(f"{self.group}.air_returned", after_us, by_us, ended_us / 1e6,
                      Quality.UNCERTAIN if unseen else Quality.GOOD,
                      "its begin was not seen" if unseen else "")
            )  # fmt: skip
        found += self._tell_state(by_us)
        if before and lacking is not before:
            found += self._total(by_us, by_us)
            found += self._present(by_us, by_us)
        return found + self._change_over(runs, by_us) + self._tell_standby(by_us)

    def _change_over(self, runs: Mapping[str, bool | None], by_us: int) -> list[Output]:
        if None in runs.values():
            self._hidden = self._hidden or bool(self._duty)  # a first read hides nothing
            return []
        duty = [name for name, run in runs.items() if run]
        if len(duty) != self._needed or duty == self._duty:
            return []
        if self._duty:
            self.changeovers += 1
        self._duty = duty
        count = float(self.changeovers)
        return self._told.news(
            Derived(
                f"{self.group}.changeovers", count,
                Quality.UNCERTAIN if self._hidden else Quality.GOOD, by_us, count,
                None if self._hidden else count, MAY_HIDE if self._hidden else "",
            )
        )  # fmt: skip

    # --- figures --------------------------------------------------------------------------------

    def _tell_state(self, at_us: int) -> list[Output]:
        lacking = self.lacking.state
        word = UNKNOWN if lacking is None else NO_AIR if lacking else AIR
        quality = Quality.BAD if lacking is None else Quality.GOOD
        return self._told.news(Derived(f"{self.group}.air_supply", word, quality, at_us))

    def _tell_standby(self, at_us: int) -> list[Output]:
        word, why = self.standby()
        quality = Quality.BAD if word == UNKNOWN else Quality.GOOD
        return self._told.news(Derived(f"{self.group}.standby", word, quality, at_us, reason=why))

    def _total(self, at_us: int, known_us: int) -> list[Output]:
        reading = self.lacking.reading(known_us)
        high = reading.high + max(0, at_us - known_us) / 1e6
        doubt = reading.unknown_us > NEGLIGIBLE_US
        found = self._told.news(
            Derived(
                f"{self.group}.time_without_air", reading.value,
                Quality.UNCERTAIN if doubt else Quality.GOOD, at_us, reading.low, high,
                UNKNOWN_TIME if doubt else "",
            ),
            TOLD_STEP_S,
        )  # fmt: skip
        return found + self._told.news(
            Derived(f"{self.group}.longest_without_air", self.lacking.longest_us / 1e6,
                    Quality.UNCERTAIN if doubt else Quality.GOOD, at_us,
                    reason=UNKNOWN_TIME if doubt else ""),
            TOLD_STEP_S,
        )  # fmt: skip

    def _present(self, at_us: int, known_us: int) -> list[Output]:
        """Length of the time without air under way; 0 once it is over."""
        length_s = self.lacking.length_us(known_us) / 1e6
        unseen = self.lacking.state is True and self.lacking.begun_unseen
        unknown = self.lacking.state is None
        return self._told.news(
            Derived(
                f"{self.group}.without_air_now", None if unknown else length_s,
                Quality.BAD if unknown else Quality.UNCERTAIN if unseen else Quality.GOOD, at_us,
                reason="its begin was not seen" if unseen else "",
            )
        )  # fmt: skip

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        return {
            "contacts": self._contacts.save(), "lacking": self.lacking.save(),
            "changeovers": self.changeovers, "hidden": self._hidden, "duty": plain(self._duty),
            "told": self._told.save(),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        duty, changeovers = saved.get("duty"), saved.get("changeovers")
        if not isinstance(duty, list) or not isinstance(changeovers, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._contacts.restore(saved.get("contacts"))
        self.lacking.restore(saved.get("lacking"))
        self._told.restore(saved.get("told"))
        self._duty = [str(name) for name in duty]
        self.changeovers, self._hidden = changeovers, bool(saved.get("hidden"))
