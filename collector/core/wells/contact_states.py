"""What the estimator knows of a float, and of how a pump runs."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Runs:
    """What is known of how a pump runs.

    Args:
        made: whether its run contact is made; None: not known.
        speed: share of full speed; None: not known.
    """

    made: bool | None
    speed: float | None = 1.0

    @property
    def known(self) -> bool:
        """Whether it runs, and somebody knows how."""
        return self.made is True and self.speed is not None

    @property
    def doubtful(self) -> bool:
        """Whether it may run, and nobody knows how."""
        return self.made is None or (self.made and self.speed is None)


@dataclass(slots=True)
class FloatState:
    """What is known of a float.

    Args:
        makes_m3, breaks_m3: volume at which it makes and breaks.
        noise_m3: standard error of that.
        made: how it stands; None: not known.
        trusted: whether it is believed.
        doubts: crossings of others that it denied since it last moved.
        moved_us: when that was.
    """

    makes_m3: float
    breaks_m3: float
    noise_m3: float
    made: bool | None = None
    trusted: bool = True
    doubts: int = 0
    moved_us: int = 0

    @property
    def stands_m3(self) -> float:
        """Volume at which it just made or broke."""
        return self.makes_m3 if self.made else self.breaks_m3

    def denies(self, volume_m3: float) -> bool:
        """Whether it says that the water does not stand at a volume."""
        if self.made is None:
            return False
        slack = 3.0 * self.noise_m3
        if self.made:
            return volume_m3 < self.breaks_m3 - slack
        return volume_m3 > self.makes_m3 + slack
