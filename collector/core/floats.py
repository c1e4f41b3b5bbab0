"""Floats of a well: what they did, and between which heights the water stands.

A float that is made says that the water is above the height at which it breaks; one that hangs
says that it is below the height at which it makes. The band is what all floats together allow; a
float that is not known narrows nothing.

A float that makes and breaks no lower than another cannot be made while that other hangs, wherever
the water came from. Floats that say so are out of order, and leave no band.

Source: geometry of float switches with a differential; common practice, no source.
"""

from __future__ import annotations

from itertools import permutations

from collector.core.component import Saved
from collector.core.records import Derived, Event, Output, PointChanged, Quality
from collector.plant.equipment import Well

OUT_OF_ORDER = "floats out of order"
NOT_ALL_KNOWN = "a float is not known"


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
        # What each float did before it was lost sight of, and until when.
        self._before: dict[str, bool | None] = dict(self.made)
        self._until_us: dict[str, int] = dict.fromkeys(self.made, 0)
        self._bad: set[str] = set()  # roles whose contact itself, not its panel, is not known
        self._top_m = well.overflow_m
        # Of two floats the first makes and breaks no lower than the second.
        self._above = [
            (upper, lower)
            for (upper, high), (lower, low) in permutations(self._floats, 2)
            if high.makes_at_m >= low.makes_at_m and high.breaks_m >= low.breaks_m
        ]
        self._told: list[int | float | str | None] | None = None

    def point_changed(self, change: PointChanged) -> list[Output]:
        role = self._role_of[change.point]
        if change.value is None or change.quality is Quality.BAD:
            self._bad.add(role)
            self._lose(role, change.after_us)
            return self._band(change.by_us, change.reason)
        self._bad.discard(role)
        made, before, after_us = bool(change.value), self.made[role], change.after_us
        if before is None:  # it may have moved unseen
            before, after_us = self._before[role], min(after_us, self._until_us[role])
        self.made[role] = made
        found = self._band(change.by_us)
        if before is not None and made != before:
            happened = "made" if made else "broke"
            subject = f"{self.name}.float_{role}_{happened}"
            found.insert(0, Event(subject, after_us, change.by_us))
        return found

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        for role in self._roles_on(panel):
            self._lose(role, last_good_us)
        return self._band(by_us, reason)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        for role in self._roles_on(panel):
            if self.made[role] is None and role not in self._bad:
                self.made[role] = self._before[role]
        return self._band(by_us)

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def band(self) -> tuple[str, float | None, float | None]:
        """Words for the band, and its lower and upper height in m; None where it is open."""
        if all(made is None for made in self.made.values()):
            return "unknown", None, None
        if any(self.made[upper] is True and self.made[lower] is False
               for upper, lower in self._above):  # fmt: skip
            return "out of order", None, None
        low_m, high_m = 0.0, self._top_m
        above, below = "", ""
        for role, switch in self._floats:
            made = self.made[role]
            if made is True and switch.breaks_m >= low_m:
                low_m, above = switch.breaks_m, role
            if made is False and (not below or high_m is None or switch.makes_at_m < high_m):
                high_m, below = switch.makes_at_m, role
        if above and below:
            return f"between {above} and {below}", low_m, high_m
        if above:
            return f"above {above}", low_m, high_m
        return f"below {below}", low_m, high_m

    def _roles_on(self, panel: str) -> list[str]:
        return [role for point, role in self._role_of.items() if point.partition(".")[0] == panel]

    def _lose(self, role: str, last_good_us: int) -> None:
        if self.made[role] is not None:
            self._before[role], self._until_us[role] = self.made[role], last_good_us
            self.made[role] = None

    def _band(self, at_us: int, reason: str = "") -> list[Output]:
        words, low_m, high_m = self.band()
        quality, why = Quality.GOOD, ""
        if words == "unknown":
            quality, why = Quality.BAD, reason
        elif words == "out of order":
            quality, why = Quality.UNCERTAIN, OUT_OF_ORDER
        elif None in self.made.values():
            quality, why = Quality.UNCERTAIN, NOT_ALL_KNOWN
        told: list[int | float | str | None] = [words, low_m, high_m, int(quality)]
        if told == self._told:
            return []
        self._told = told
        return [Derived(f"{self.name}.level_band", words, quality, at_us, low_m, high_m, why)]

    def save(self) -> Saved:
        return {
            "made": dict(self.made),
            "before": dict(self._before),
            "until_us": dict(self._until_us),
            "bad": {role: role in self._bad for role in self.made},
            "told": self._told,
        }

    def restore(self, saved: Saved) -> None:
        try:
            made, before, until_us, bad, told = (
                saved[part] for part in ("made", "before", "until_us", "bad", "told")
            )
        except KeyError as missing:
            raise ValueError(f"float state of {self.name} lacks {missing}") from None
        if not (
            isinstance(made, dict)
            and isinstance(before, dict)
            and isinstance(until_us, dict)
            and isinstance(bad, dict)
            and (told is None or isinstance(told, list))
        ):
            raise ValueError(f"float state of {self.name} is of another form")
        for role in self.made:  # a float that is new stays unknown
            self.made[role] = _maybe_bool(made.get(role))
            self._before[role] = _maybe_bool(before.get(role))
            until = until_us.get(role)
            self._until_us[role] = until if isinstance(until, int) else 0
        self._bad = {role for role in self.made if bad.get(role) is True}
        self._told = None if told is None else list(told)


def _maybe_bool(value: object) -> bool | None:
    return value if isinstance(value, bool) else None
