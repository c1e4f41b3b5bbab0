"""What the journal keeps beside its records: small facts of which the latest counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Alive:
    """The last sign that the collector was watching; after a stop, the gap begins here.

    Args:
        at_us: plant time of the sign.
        utc_us: the wall clock as it was read at that instant.
        boot_id: identifies the run of the machine's kernel, so that a restart of the program and
            one of the machine can be told apart.
        panels: plant time of the last good answer of each panel.
    """

    at_us: int
    utc_us: int
    boot_id: str
    panels: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far an outlet has delivered.

    Args:
        outlet: its name.
        delivered: every record up to this number was confirmed by the far side, or is gone.
        ahead_from, ahead_to: records delivered before their turn (both ends included), 0 if none.
        moved_utc_us: when it last moved, 0 if never.
        dropped: records this outlet never got because the journal had to make room.
        quarantined: records the far side refused for good.
    """

    outlet: str
    delivered: int = 0
    ahead_from: int = 0
    ahead_to: int = 0
    moved_utc_us: int = 0
    dropped: int = 0
    quarantined: int = 0


@dataclass(frozen=True, slots=True)
class Configuration:
    """A file that was in force.

    Args:
        kind: which file (``plant``, ``rules``).
        hash: hash of its text.
        text: the text itself.
        first_utc_us: when it was first in force.
    """

    kind: str
    hash: str
    text: str
    first_utc_us: int


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A record an outlet's far side refused for good."""

    outlet: str
    sequence: int
    why: str
    utc_us: int
