"""What is left in a day tank, by its low contact and what was used since.

The contact is the only witness. When it makes, ``low_at_l`` is left. When it breaks, somebody has
filled the tank: taken as to the brim, while all that is certain is more than ``low_at_l``. Before
either was seen nothing is known but the contact's own bound. A stock that would have fallen below
``low_at_l`` while the contact stays open was filled unseen, and is unknown again.
"""

from __future__ import annotations

from collector.core.component import Reading, Saved
from collector.core.process.contacts import Contacts
from collector.core.process.telling import plain, saved_numbers
from collector.core.process.volumes import NEGLIGIBLE_US, UNKNOWN_TIME, growth
from collector.core.records import Derived, PointChanged, Quality
from collector.plant.equipment import DosingPump

NEVER_SEEN = "nothing was seen of its filling"
TAKEN_AS_FULL = "taken as filled to the brim"


class DayTank:
    """The day tank of one dosing pump.

    Args:
        name, part: from the plant file, with the volume of the full tank.
        full_l: volume of the full tank.
    """

    def __init__(self, name: str, part: DosingPump, full_l: float) -> None:
        self._subject = f"{name}.stock"
        self._point = part.tank_low
        self.contacts = Contacts((part.tank_low,))
        self.full_m3 = full_l / 1000.0
        self._low_m3 = None if part.low_at_l is None else part.low_at_l / 1000.0
        # Stock at the last anchor with its bounds, m3, and the use up to then.
        self._anchor: tuple[float, float, float] | None = None
        self._used_then = Reading(0.0, 0.0, 0.0)
        self._word = NEVER_SEEN

    def low_moved(self, change: PointChanged, used: Reading) -> bool:
        """Its contact moved; says whether that tells something new of the stock."""
        moved = self.contacts.take(change)
        if moved.makes and self._low_m3 is not None:
            self._set(self._low_m3, self._low_m3, self._low_m3, used, "")
        elif moved.breaks:
            self._set(self.full_m3, self._low_m3 or 0.0, self.full_m3, used, TAKEN_AS_FULL)
        return moved.makes or moved.breaks

    def _set(self, m3: float, low_m3: float, high_m3: float, used: Reading, word: str) -> None:
        self._anchor, self._used_then, self._word = (m3, low_m3, high_m3), used, word

    def stock(self, used: Reading, at_us: int) -> Derived:
        """What is left, m3; None where nobody knows, with the bounds the contact sets.

        Args:
            used: use of the chemical up to now.
            at_us: now.
        """
        made = self.contacts.made(self._point)
        floor = (self._low_m3 or 0.0) if made is False else 0.0
        ceiling = self._low_m3 if made and self._low_m3 is not None else self.full_m3
        if self._anchor is not None:
            gone = growth(self._used_then, used)
            m3, low, high = self._anchor
            high = min(ceiling, high - gone.low)
            if high > floor:
                low = max(floor, low - gone.high)
                value = min(max(m3 - gone.value, low), high)
                why = self._word or (UNKNOWN_TIME if gone.unknown_us > NEGLIGIBLE_US else "")
                quality = Quality.UNCERTAIN if why else Quality.GOOD
                return Derived(self._subject, value, quality, at_us, min(low, high), high, why)
            if made is not False:  # by all that is known it is empty
                return Derived(self._subject, 0.0, Quality.UNCERTAIN, at_us, 0.0, max(0.0, high),
                               self._word)  # fmt: skip
        return Derived(self._subject, None, Quality.BAD, at_us, floor, ceiling, NEVER_SEEN)

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        then = self._used_then
        return {
            "contacts": self.contacts.save(), "word": self._word,
            "anchor": None if self._anchor is None else plain(self._anchor),
            "used_then": plain((then.value, then.low, then.high, then.unknown_us, then.edge)),
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        then = saved_numbers(saved, "used_then")
        assert isinstance(saved, dict)  # or there would be no numbers in it
        self.contacts.restore(saved.get("contacts"))
        self._word = str(saved.get("word", NEVER_SEEN))
        self._anchor = None
        if saved.get("anchor") is not None:
            m3, low, high = saved_numbers(saved, "anchor")
            self._anchor = (m3, low, high)
        self._used_then = Reading(then[0], then[1], then[2], int(then[3]), then[4])
