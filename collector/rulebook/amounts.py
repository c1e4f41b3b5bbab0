"""Times and figures as rule files write them: a number, a blank and a unit, as in ``10 s``.

Source of the units' codes: The Unified Code for Units of Measure (``units.py``).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from collector.plant.findings import nearest_name
from collector.units import UNITS, Unit

DURATION_PATTERN = r"^[0-9]+(\.[0-9]+)? (s|min|h|d)$"
DURATION_WORDS = "a time such as '10 s', '5 min', '26 h' or '2 d'"
FIGURE_WORDS = "a figure with its unit, such as '0.1 m', '30 min' or '4'"

_FIGURE = re.compile(r"([-+]?[0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?)(?: (\S+))?")


@dataclass(frozen=True, slots=True)
class Figure:
    """A number in a unit.

    Args:
        value: in ``unit``.
        unit: as written.
    """

    value: float
    unit: Unit


@dataclass(frozen=True, slots=True)
class NoFigure:
    """Why a text is no figure.

    Args:
        expected: what would be right.
        nearest: the closest valid spelling, or None.
    """

    expected: str
    nearest: str | None = None


def duration_us(text: str) -> int:
    """Microseconds of a time of the form of ``DURATION_PATTERN``."""
    number, unit = text.split(" ")
    return round(UNITS[unit].to_si(float(number)) * 1e6)


def figure_of(written: str | float) -> Figure | NoFigure:
    """Read a figure.

    Args:
        written: text with a unit, or a plain number, which has none.
    """
    if not isinstance(written, str):
        return Figure(float(written), UNITS["1"])
    match = _FIGURE.fullmatch(written)
    if match is None:
        return NoFigure(FIGURE_WORDS, _with_blank(written))
    code = match.group(2) or "1"
    if code not in UNITS:
        nearest = nearest_name(code, UNITS)
        return NoFigure(
            "a unit such as m, min, m3/h, mg/L or %, by its UCUM code",
            None if nearest is None else f"{match.group(1)} {nearest}",
        )
    return Figure(float(match.group(1)), UNITS[code])


def _with_blank(written: str) -> str | None:
    """``0.1 m`` for ``0.1m``; None where that is not what is missing."""
    match = re.fullmatch(r"([-+]?[0-9]+(?:\.[0-9]+)?) *(\S+)", written.strip())
    if match is None or match.group(2) not in UNITS:
        return None
    return f"{match.group(1)} {match.group(2)}"
