"""What a measurement says: one line of the table each, with its target and whether it is met."""

from __future__ import annotations

import gc
import resource
import statistics
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

Sense = Literal["at most", "at least"]


@dataclass(frozen=True)
class Target:
    """A bound that was published before it was measured.

    Args:
        sense: on which side of the bound it should lie.
        bound: in the figure's own unit.
    """

    sense: Sense
    bound: float

    def met(self, value: float) -> bool:
        """Whether a value is on the right side."""
        return value <= self.bound if self.sense == "at most" else value >= self.bound

    def __str__(self) -> str:
        return f"{self.sense} {self.bound:g}"


@dataclass(frozen=True)
class Figure:
    """One line of the table.

    Args:
        name: what was measured.
        value: the median of the repetitions.
        low, high: the smallest and largest of them.
        unit: empty for a ratio.
        target: None if there is none.
        detail: what it was compared with, in absolute figures.
    """

    name: str
    value: float
    low: float
    high: float
    unit: str = ""
    target: Target | None = None
    detail: str = ""

    @property
    def verdict(self) -> str:
        """Met, missed, or nothing where there is no target."""
        if self.target is None:
            return ""
        return "met" if self.target.met(self.value) else "MISSED"

    def as_json(self) -> dict[str, Any]:
        """The same for machines."""
        told = asdict(self)
        told["target"] = None if self.target is None else str(self.target)
        told["verdict"] = self.verdict
        return told

    @classmethod
    def from_json(cls, told: dict[str, Any]) -> Figure:
        """What `as_json` wrote."""
        words = dict(told)
        words.pop("verdict")
        if words["target"] is not None:
            side, _, bound = words["target"].rpartition(" ")
            words["target"] = Target(side, float(bound))
        return cls(**words)


def of(
    name: str,
    values: Sequence[float],
    unit: str = "",
    target: Target | None = None,
    detail: str = "",
) -> Figure:
    """A figure of repeated measurements."""
    return Figure(name, statistics.median(values), min(values), max(values), unit, target, detail)


def in_turns(
    ours: Callable[[], float], bare: Callable[[], float], rounds: int
) -> tuple[list[float], list[float]]:
    """Both, alternately, after one round that warms up and does not count."""
    both = (ours, bare)
    found: tuple[list[float], list[float]] = ([], [])
    for turn in range(rounds + 1):
        for place in (0, 1) if turn % 2 else (1, 0):
            gc.collect()
            value = both[place]()
            if turn:
                found[place].append(value)
    return found


def ratios(ours: Sequence[float], bare: Sequence[float]) -> list[float]:
    """Each of ours over the bare one measured beside it."""
    return [our / one for our, one in zip(ours, bare, strict=True)]


def cpu_s() -> float:
    """Processor time, user and system, that this process has used with all its threads, s."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def table(figures: Sequence[Figure]) -> str:
    """The figures as lines in columns, for people."""
    rows = [("what", "median", "range", "target", "", "measured")]
    for figure in figures:
        rows.append((
            figure.name,
            f"{figure.value:.3g} {figure.unit}".strip() if abs(figure.value) < 1000
            else f"{figure.value:.0f} {figure.unit}".strip(),
            f"{figure.low:.3g} to {figure.high:.3g}" if figure.low != figure.high else "",
            "" if figure.target is None else str(figure.target),
            figure.verdict,
            figure.detail,
        ))  # fmt: skip
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    return "\n".join(
        "  ".join([*(text.ljust(width) for text, width in zip(row, widths, strict=False)), row[5]])
        .rstrip()
        for row in rows
    )  # fmt: skip
