"""Figures as people read them: no more digits than the uncertainty allows, and the doubt beside it.

A value with bounds is told as ``2.1 ± 0.3`` where they lie evenly about it, else with its range. A
value that is not known says so, with the range it must lie in where there is one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from collector.core.catalogue import Catalogue
from collector.core.quantities import QUANTITIES
from collector.core.records import Quality, Record, RecordKind
from collector.units import UNITS

Newest = Mapping[tuple[RecordKind, str], Record]

EVEN = 0.15
"""Bounds whose distances from the value differ by less than this share lie evenly about it."""
MOST_DECIMALS = 3
TOO_WIDE = 50.0
"""A range of more than so many times the value says only that little is known."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a page.

    Args:
        key: name of the quantity or role.
        label: what it is, in words.
        text: the value with its unit, or what is said in its place.
        spread: its uncertainty with unit; empty where it has none.
        quality: ``good``, ``uncertain`` or ``bad``.
        reason: why not good; empty where it is.
        since_utc_us: when it was told.
    """

    key: str
    label: str
    text: str
    spread: str
    quality: str
    reason: str
    since_utc_us: int


def maybe_figure(
    newest: Newest, catalogue: Catalogue, subject: str, label: str, lost: str = ""
) -> Figure | None:
    """The figure of a derived quantity; None where nothing was ever told of it.

    Args:
        newest: newest record of each subject.
        catalogue: units.
        subject: ``equipment.quantity``.
        label: what it is, in words.
        lost: why nothing is known of its panel now; empty where it answers.
    """
    record = newest.get((RecordKind.DERIVED, subject))
    if record is None:
        return None
    return figure_of(record, catalogue, label, lost)


def figure_of(record: Record, catalogue: Catalogue, label: str, lost: str = "") -> Figure:
    """A record's figure; one whose panel is lost is as it was, and says so."""
    shown = catalogue.shown(record)
    key = record.subject.rpartition(".")[2]
    quality, reason = record.quality.word, record.reason
    if lost and record.quality is not Quality.BAD:
        quality, reason = Quality.BAD.word, f"as it was last known: {lost}"
    value = shown.value
    if value is None:
        text, spread = "unknown", _range(shown.low, shown.high, shown.unit.code)
        quality = Quality.BAD.word
    elif isinstance(value, str) or shown.word is not None or isinstance(value, bool):
        text, spread = shown.text, ""
    elif shown.unit.kind == "time":
        text, spread = _time(float(value), shown.low, shown.high, shown.unit.si_factor)
    else:
        text, spread = _amount(float(value), shown.low, shown.high, shown.unit.code)
    return Figure(key, label, text, spread, quality, reason, record.utc_us)


def meaning(quantity: str) -> str:
    """What a quantity is, in words, from the table of quantities."""
    found = QUANTITIES.get(quantity)
    return found.means if found is not None else quantity.replace("_", " ")


def decimals_of(value: float, half: float | None) -> int:
    """So many that the uncertainty has one digit, or the value three where none is told."""
    if half is not None and half > 0:
        return min(MOST_DECIMALS, max(0, -math.floor(math.log10(half))))
    if value == 0 or float(value).is_integer():
        return 0
    return min(MOST_DECIMALS, max(0, 2 - math.floor(math.log10(abs(value)))))


def _amount(value: float, low: float | None, high: float | None, unit: str) -> tuple[str, str]:
    half = None if low is None or high is None else (high - low) / 2
    decimals = decimals_of(value, half)
    label = "" if unit == "/h" else UNITS[unit].label  # of starts "in the last hour" is said before
    text = f"{value:.{decimals}f} {label}".strip()
    if low is None or high is None:
        return text, _range(low, high, unit)
    if half is None or half <= 0 or half < abs(value) * 1e-6:
        return text, ""
    if abs((high - value) - (value - low)) <= EVEN * 2 * half:
        return text, f"± {half:.{decimals}f}"
    return text, f"{low:.{decimals}f} to {high:.{decimals}f}"


def _range(low: float | None, high: float | None, unit: str) -> str:
    label, time = UNITS[unit].label, UNITS[unit].kind == "time"

    def said(bound: float) -> str:
        if time:
            return length_text(bound * UNITS[unit].si_factor)
        return f"{bound:.{decimals_of(bound, None)}f} {label}".strip()

    if low is not None and high is not None:
        return f"between {said(low)} and {said(high)}"
    if low is not None and low > 0:
        return f"at least {said(low)}"
    return f"at most {said(high)}" if high is not None else ""


def _time(
    value: float, low: float | None, high: float | None, seconds_a_unit: float
) -> tuple[str, str]:
    text = length_text(value * seconds_a_unit)
    bounds = [None if each is None else length_text(each * seconds_a_unit) for each in (low, high)]
    if bounds == [text, text] or bounds == [None, None]:
        return text, ""
    if bounds[1] is None or (high or 0) > TOO_WIDE * max(value, 1e-9):
        return text, f"at least {bounds[0]}"
    if bounds[0] is None:
        return text, f"at most {bounds[1]}"
    return text, f"{bounds[0]} to {bounds[1]}"


def length_text(seconds: float) -> str:
    """A length of time in the one or two units that say something."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 24 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    hours = round(seconds / 3600)
    if hours < 14 * 24:
        return f"{hours // 24} d {hours % 24} h" if hours % 24 else f"{hours // 24} d"
    return f"{round(seconds / 86_400)} d"
