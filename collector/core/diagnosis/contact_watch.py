"""A component that makes claims about contacts: what all of the diagnoses by contacts share."""

from __future__ import annotations

from collections.abc import Iterable

from collector.core.component import Saved
from collector.core.diagnosis.standing import Claim, Standing
from collector.core.process.contacts import Contacts, Moved
from collector.core.records import FROZEN, Output, PointChanged


class ContactWatch:
    """Watches contacts and lets claims stand.

    Args:
        name: of the component.
        points: contacts; None is left out.
        sure_us: see ``Standing``.
    """

    def __init__(self, name: str, points: Iterable[str | None], sure_us: int) -> None:
        self.name = name
        self.contacts = Contacts(points)
        self.points = self.contacts.points
        self.standing = Standing(sure_us)
        self._hidden_us: dict[str, int] = {}  # panels of which nothing is known, and since when

    # --- for the diagnoses ----------------------------------------------------------------------

    def claims(self, now_us: int) -> list[Claim]:
        """All claims as they are now."""
        raise NotImplementedError

    def moved(self, point: str, move: Moved, change: PointChanged) -> None:
        """A contact moved, became unknown, or is known again."""

    def hidden(self, last_good_us: int, panel: str) -> None:
        """Nothing is known of a panel's contacts after an instant."""

    def found(self, now_us: int, panel: str) -> None:
        """They are known again."""

    # --- the component --------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        move = self.contacts.take(change)
        self.moved(change.point, move, change)
        at_us = min(move.at_us, change.by_us)
        hidden_us = self._hidden_us.get(change.point.partition(".")[0], change.after_us)
        earliest_us = min(change.after_us, hidden_us)
        return self.standing.take(self.claims(change.by_us), at_us, change.by_us, earliest_us)

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        self.contacts.lose(panel)
        self._hidden_us.setdefault(panel, last_good_us)
        self.hidden(last_good_us, panel)
        found = self.standing.withdraw(last_good_us, by_us) if reason == FROZEN else []
        return found + self.standing.take(self.claims(by_us), last_good_us, by_us)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        self.contacts.find(panel)
        self.found(by_us, panel)
        hidden_us = self._hidden_us.pop(panel, by_us)
        return self.standing.take(self.claims(by_us), by_us, by_us, hidden_us)

    def report(self, at_us: int, known_us: int) -> list[Output]:
        del at_us, known_us
        return []

    def deadline_us(self) -> int | None:
        return self.standing.deadline_us()

    def wake(self, at_us: int) -> list[Output]:
        return self.standing.take(self.claims(at_us), at_us, at_us)

    def save(self) -> Saved:
        return {
            "contacts": self.contacts.save(),
            "standing": self.standing.save(),
            "hidden": dict(self._hidden_us),
        }

    def restore(self, saved: Saved) -> None:
        try:
            self.contacts.restore(saved["contacts"])
            self.standing.restore(saved["standing"])
            self._hidden_us = _instants(saved.get("hidden"))
        except KeyError as missing:
            raise ValueError(f"the saved state of {self.name} lacks {missing}") from None


def both(one: bool | None, other: bool | None) -> bool | None:
    """Whether both hold, where either may be unknown."""
    if one is False or other is False:
        return False
    return None if one is None or other is None else True


def inverse(one: bool | None) -> bool | None:
    """Whether it does not hold."""
    return None if one is None else not one


def _instants(saved: object) -> dict[str, int]:
    """Instants by panel; none in a state of before they were kept."""
    kept = saved if isinstance(saved, dict) else {}
    return {str(panel): at_us for panel, at_us in kept.items() if isinstance(at_us, int)}
