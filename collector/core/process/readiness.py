"""How many pumps of a well could be called: in auto, and without a fault.

A pump of which a contact is not known counts neither way: with another that is ready the count is
a least one, without one it is not known at all.

Source: definition, common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from collector.core.component import Saved
from collector.core.process.contacts import Contacts
from collector.core.process.telling import Told
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.plant.equipment import Pump

NOT_ALL_KNOWN = "contacts not known"


class PumpReadiness:
    """The pumps of one well.

    Args:
        well: its name.
        pumps: its pumps by name; at least one has a fault or an auto contact.
    """

    def __init__(self, well: str, pumps: Mapping[str, Pump]) -> None:
        self.well = well
        self.name = f"{well}.readiness"
        self._pumps = dict(pumps)
        self._contacts = Contacts(
            point for pump in pumps.values() for point in (pump.run, pump.fault, pump.auto)
        )
        self.points = self._contacts.points
        self._told = Told()

    def point_changed(self, change: PointChanged) -> list[Output]:
        """See ``Component``."""
        self._contacts.take(change)
        return self._tell(change.by_us)

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        """See ``Component``."""
        del reason, last_good_us
        self._contacts.lose(panel)
        return self._tell(by_us)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        """See ``Component``."""
        self._contacts.find(panel)
        return self._tell(by_us)

    def report(self, at_us: int, known_us: int) -> list[Output]:
        """See ``Component``."""
        del at_us, known_us
        return []

    def _ready(self, pump: Pump) -> bool | None:
        fault = False if pump.fault is None else self._contacts.made(pump.fault)
        auto = True if pump.auto is None else self._contacts.made(pump.auto)
        if fault is True or auto is False:
            return False
        return None if None in (fault, auto, self._contacts.made(pump.run)) else True

    def _tell(self, at_us: int) -> list[Output]:
        ready = [self._ready(pump) for pump in self._pumps.values()]
        least, unknown = float(ready.count(True)), ready.count(None)
        quality, value = Quality.GOOD, least
        if unknown:
            quality = Quality.UNCERTAIN if least else Quality.BAD
        figure = Derived(
            f"{self.well}.pumps_ready", value if least or not unknown else None, quality, at_us,
            least, least + unknown, NOT_ALL_KNOWN if unknown else "",
        )  # fmt: skip
        return self._told.news(figure)

    def save(self) -> Saved:
        """See ``Component``."""
        return {"contacts": self._contacts.save(), "told": self._told.save()}

    def restore(self, saved: Saved) -> None:
        """See ``Component``."""
        self._contacts.restore(saved.get("contacts"))
        self._told.restore(saved.get("told"))
