"""What the engine expects of everything that derives something from points.

A component owns its state, reads no clock, and can be saved to and restored from plain JSON values.
The engine tells it of changes of its points, of the loss and return of the panel they live on, and
asks it now and then for the figures that move while nothing changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, TypeAlias, runtime_checkable

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


@runtime_checkable
class Timed(Protocol):
    """A component for which something becomes true because nothing happens."""

    @property
    def name(self) -> str:
        """As in ``Component``."""
        ...

    def deadline_us(self) -> int | None:
        """Plant time at which it wants ``wake`` if nothing comes before; None if never."""
        ...

    def wake(self, at_us: int) -> list[Output]:
        """Its deadline has come.

        Args:
            at_us: the deadline itself, not the later instant at which that was noticed. Inputs
                that are known by then have been told; of a panel that has fallen silent nothing is
                known since, and the loss may not have been told yet.

        Its next deadline lies later, or is None.
        """
        ...


@dataclass(frozen=True, slots=True)
class Reading:
    """How far a figure that only grows has come.

    Of two readings the differences count: of ``value`` the growth, of ``value - low`` and of
    ``high - value`` how much wider its bounds become, of ``unknown_us`` the time about which
    nothing is known.

    Args:
        value: the known part, SI.
        low, high: bounds of the truth.
        unknown_us: time up to here about which nobody knows, in microseconds.
        edge: by how much ``value`` may be off just because something was seen to happen around
            this instant; counts on both sides of it, and is gone in the next reading.
        bounded: False where ``high`` says nothing about what unknown time may hide.
    """

    value: float
    low: float
    high: float
    unknown_us: int = 0
    edge: float = 0.0
    bounded: bool = True


@runtime_checkable
class Counting(Protocol):
    """A component with figures that only grow, of which periods are told (``periods.py``)."""

    @property
    def name(self) -> str:
        """As in ``Component``."""
        ...

    def readings(self, at_us: int) -> Mapping[str, Reading]:
        """Its figures at a plant time, by quantity.

        Args:
            at_us: not before the last change but one; the last may have been seen after it.
        """
        ...


@runtime_checkable
class Ranging(Protocol):
    """A component with figures that go up and down, of which periods tell the extremes."""

    @property
    def name(self) -> str:
        """As in ``Component``."""
        ...

    def take_extremes(self, at_us: int) -> Mapping[str, tuple[float, float]]:
        """The least and greatest value of each quantity since this was asked last, SI.

        A quantity of which nothing was known is left out.
        """
        ...
