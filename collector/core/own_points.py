"""What the collector tells of itself: points of a pseudo panel ``collector``, one table.

They come as ``PointChanged`` of ``collector.<name>`` and are journaled as points are, so that rules
can be made on them and a replay sees them at their place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from collector.units import UNITS, Unit

COLLECTOR = "collector"
"""Name of the pseudo panel; no panel or equipment of a plant file may have it."""


@dataclass(frozen=True, slots=True)
class OwnPoint:
    """One fact about the collector.

    Args:
        type: what its values are.
        means: one line for people.
        unit: of a number, the unit in which rules and people see it; inside it is in SI.
    """

    type: Literal["yes or no", "number"]
    means: str
    unit: Unit | None = None


OWN_POINTS: dict[str, OwnPoint] = {
    "clock_unsynchronised": OwnPoint(
        "yes or no", "the system's clock is not synchronised with a time server"
    ),
    "disk_short": OwnPoint("yes or no", "the disk of the journal is running short"),
    "record_in_danger": OwnPoint(
        "yes or no", "the disk is so short that the audited record itself cannot be kept for long"
    ),
    "journal_replaced": OwnPoint(
        "yes or no", "a damaged journal was set aside, and its file still lies beside the new one"
    ),
    "backup_failed": OwnPoint("yes or no", "the last attempt to copy the journal failed"),
    "signing_key_new": OwnPoint(
        "yes or no", "since this start the audited record is signed with another key than before"
    ),
    "mqtt_behind": OwnPoint(
        "number", "age of the oldest record the broker has not confirmed", UNITS["min"]
    ),
    "store_behind": OwnPoint(
        "number", "age of the oldest record the time-series store has not confirmed", UNITS["min"]
    ),
}


def own_point(subject: str) -> OwnPoint | None:
    """The own point of a subject ``collector.<name>``, or None for any other subject."""
    owner, _, name = subject.partition(".")
    return OWN_POINTS.get(name) if owner == COLLECTOR else None
