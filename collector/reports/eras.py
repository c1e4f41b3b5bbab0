"""Which date an instant of plant time had: the wall clock may have been stepped in between."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from collector.core.records import RecordKind
from collector.journal.reader import JournalReader

ALL = 10_000_000
EVER_US = 1 << 61


@dataclass(frozen=True, slots=True)
class Eras:
    """Wall time minus plant time, by the plant time from which it held.

    Args:
        begins_us: begin of every era but the first, in order.
        offsets_us: one more.
    """

    begins_us: tuple[int, ...]
    offsets_us: tuple[int, ...]

    def wall_us(self, plant_us: int) -> int:
        """The date of an instant of plant time, microseconds since 1970, UTC."""
        return plant_us + self.offsets_us[bisect_right(self.begins_us, plant_us)]

    def plant_us(self, wall_us: int) -> int:
        """The plant time dated so; the earliest where the clock was set back, else the nearest."""
        bounds_us = [*self.begins_us, EVER_US]
        for end_us, offset_us in zip(bounds_us, self.offsets_us, strict=True):
            if wall_us - offset_us < end_us:
                return wall_us - offset_us
        return wall_us - self.offsets_us[-1]

    def earliest_plant_us(self, wall_us: int) -> int:
        """A plant time before which nothing was dated ``wall_us`` or later."""
        return wall_us - max(self.offsets_us)

    def latest_plant_us(self, wall_us: int) -> int:
        """A plant time from which on everything was dated ``wall_us`` or later."""
        return wall_us - min(self.offsets_us)


def read_eras(reader: JournalReader) -> Eras:
    """The steps of the wall clock on record."""
    clocks = [
        record
        for record in reader.history("clock", -EVER_US, EVER_US, ALL)
        if record.kind is RecordKind.CLOCK and isinstance(record.value, int)
    ]
    if clocks:
        first_us = int(clocks[0].value or 0) - round(clocks[0].low or 0.0)
    else:
        newest = reader.recent(1)
        first_us = newest[0].utc_us - newest[0].at_us if newest else 0
    offsets_us = [first_us, *(int(record.value or 0) for record in clocks)]
    return Eras(tuple(record.at_us for record in clocks), tuple(offsets_us))
