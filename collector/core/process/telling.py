"""Which figures are news: a figure is told again when it, its bounds or its quality have moved.

The journal keeps every record for years; what moved by less than its own doubt is not worth one.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from collector.core.component import Saved
from collector.core.records import Derived, Output, Value

WIDER = 0.25
"""Share of its width by which a bound moves before it is news by itself; of a bound that stands
alone, share of itself."""


class Told:
    """What was told last of each figure of one piece of equipment."""

    def __init__(self) -> None:
        self._last: dict[str, list[int | float | str | None]] = {}

    def news(self, figure: Derived, step: float = 0.0) -> list[Output]:
        """The figure, if it is news.

        Args:
            figure: as it would be told.
            step: a move of the value up to this is none, SI.
        """
        last = self._last.get(figure.subject)
        if last is not None and not _differs(figure, last, step):
            return []
        value = figure.value if not isinstance(figure.value, bool) else int(figure.value)
        self._last[figure.subject] = [
            value, figure.low, figure.high, int(figure.quality), figure.reason,
        ]  # fmt: skip
        return [figure]

    def value(self, subject: str) -> int | float | str | None:
        """What was told last of a figure; None if nothing was."""
        last = self._last.get(subject)
        return None if last is None else last[0]

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {subject: list(last) for subject, last in self._last.items()}

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved list of told figures is of another form")
        self._last = {subject: list(last) for subject, last in saved.items()}


def _differs(figure: Derived, last: list[int | float | str | None], step: float) -> bool:
    value, low, high, quality, reason = last
    if int(figure.quality) != quality or figure.reason != reason:
        return True
    if _moved(figure.value, value, step):
        return True
    bounds = [bound for bound in (low, high) if isinstance(bound, float)]
    width = WIDER * (bounds[-1] - bounds[0] if len(bounds) > 1 else sum(map(abs, bounds)))
    return _moved(figure.low, low, max(step, width)) or _moved(figure.high, high, max(step, width))


def _moved(now: Value, before: Value, step: float) -> bool:
    if isinstance(now, float | int) and isinstance(before, float | int):
        return abs(now - before) > step
    return now != before


def share_of(figure: Derived, share: float) -> float:
    """A share of a figure as a step; 0 where it is unknown."""
    return share * abs(figure.value) if isinstance(figure.value, float) else 0.0


def plain(values: Iterable[float | str | None]) -> list[int | float | str | None]:
    """Values as a list that a state may hold."""
    return list(values)


def saved_numbers(saved: object, name: str) -> list[float]:
    """A list of numbers of a saved state.

    Raises:
        ValueError: it is not there or of another form.
    """
    found = saved.get(name) if isinstance(saved, dict) else None
    if not isinstance(found, list) or not all(isinstance(each, int | float) for each in found):
        raise ValueError(f"the saved state lacks the numbers '{name}'")
    return cast(list[float], found)
