"""What the engine expects of everything that derives something from points.

A component owns its state, reads no clock, and can be saved to and restored from plain JSON values.
The engine tells it of changes of its points, of the loss and return of the panel they live on, and
asks it now and then for the figures that move while nothing changes.
"""

from __future__ import annotations

from typing import Protocol, TypeAlias

from collector.core.records import Output, PointChanged

Saved: TypeAlias = dict[
    str, "int | float | str | bool | list[int] | list[int | float | str | None] | Saved | None"
]


class Component(Protocol):
    """One thing that derives quantities and events of one piece of equipment or panel."""

    @property
    def name(self) -> str:
        """Under which its state is saved; unique in the engine."""
        ...

    @property
    def points(self) -> tuple[str, ...]:
        """The points whose changes it wants, as ``panel.point``."""
        ...

    def point_changed(self, change: PointChanged) -> list[Output]:
        """One of its points has a new value or quality."""
        ...

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        """A panel with points of it is lost; nothing is known after ``last_good_us``."""
        ...

    def returned(self, panel: str, by_us: int) -> list[Output]:
        """The panel is back; points not reported changed are as they were before."""
        ...

    def report(self, at_us: int, known_us: int) -> list[Output]:
        """Figures that move while nothing changes, at a regular instant.

        Args:
            at_us: this instant.
            known_us: up to when its points are known; what came after has not been read yet.

        It leaves the figures themselves as they are, so that they do not depend on when it is
        asked.
        """
        ...

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        ...

    def restore(self, saved: Saved) -> None:
        """Take back a state from ``save``; an older or foreign one raises ``ValueError``."""
        ...
