"""What several contacts show, and since when nobody knows.

A change seen between two reads lies inside their bracket; its middle is taken. A contact found
again after a gap counts from the read that found it: the gap belongs to neither state.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from collector.core.component import Saved
from collector.core.records import PointChanged, Quality


@dataclass(frozen=True, slots=True)
class Moved:
    """When a contact moved.

    Args:
        at_us, half_us: middle of the bracket and half its width.
        before: what it showed; None if that was not known.
        made: what it shows; None if that is no longer known.
    """

    at_us: int
    half_us: int
    before: bool | None
    made: bool | None

    @property
    def makes(self) -> bool:
        """It was seen to make."""
        return self.before is False and self.made is True

    @property
    def breaks(self) -> bool:
        """It was seen to break."""
        return self.before is True and self.made is False


class Contacts:
    """Some contacts by point.

    Args:
        points: ``panel.point``; None and repeated ones are left out.
    """

    def __init__(self, points: Iterable[str | None]) -> None:
        self.points = tuple(dict.fromkeys(point for point in points if point is not None))
        self._made: dict[str, bool | None] = dict.fromkeys(self.points)
        self._before: dict[str, bool | None] = dict.fromkeys(self.points)
        self._bad: set[str] = set()

    def made(self, point: str | None) -> bool | None:
        """What a contact shows; None where that is not known, or there is no such contact."""
        return None if point is None else self._made[point]

    def take(self, change: PointChanged) -> Moved:
        """Take a change of one of the contacts."""
        point, before = change.point, self._made[change.point]
        if change.value is None or change.quality is Quality.BAD:
            self._bad.add(point)
            self._hide(point)
            return Moved(change.after_us, 0, before, None)
        self._bad.discard(point)
        made = self._made[point] = bool(change.value)
        if before is None:
            return Moved(change.by_us, 0, None, made)
        middle_us = (change.after_us + change.by_us) // 2
        return Moved(middle_us, (change.by_us - change.after_us + 1) // 2, before, made)

    def lose(self, panel: str) -> None:
        """Nothing is known of the contacts on a panel any more."""
        for point in self._on(panel):
            self._hide(point)

    def find(self, panel: str) -> None:
        """The panel is back: what was not told anew is as it was before."""
        for point in self._on(panel):
            if self._made[point] is None and point not in self._bad:
                self._made[point] = self._before[point]

    def _on(self, panel: str) -> list[str]:
        return [point for point in self.points if point.partition(".")[0] == panel]

    def _hide(self, point: str) -> None:
        if self._made[point] is not None:
            self._before[point] = self._made[point]
            self._made[point] = None

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "made": dict(self._made),
            "before": dict(self._before),
            "bad": dict.fromkeys(sorted(self._bad), True),
        }

    def restore(self, saved: object) -> None:
        """Take back a state; contacts that are new stay unknown."""
        if not isinstance(saved, dict):
            raise ValueError("the saved state of contacts is of another form")
        for kept, name in ((self._made, "made"), (self._before, "before")):
            for point in self.points:
                made = saved.get(name, {}).get(point)
                kept[point] = made if isinstance(made, bool) else None
        self._bad = {point for point in saved.get("bad", {}) if point in self._made}
