"""Where one interval of a task stands: by use, by the calendar, by a condition.

Due is decided by the high bound of use: unknown run time counts as run time. The figure shown is
the known one, with its bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from collector.core.conditions.contract import Facts, Held
from collector.core.service.forecast import forecast
from collector.core.service.rule import (
    COUNTED,
    CalendarInterval,
    ConditionInterval,
    ServiceRule,
    UseInterval,
)
from collector.core.service.use import Figure, UseHistory

NOT_DUE, DUE_SOON, DUE, OVERDUE, NOT_KNOWN = "not due", "due soon", "due", "overdue", "not known"
STATES = (NOT_KNOWN, NOT_DUE, DUE_SOON, DUE, OVERDUE)
OVERDUE_BEYOND = 1.1
"""Share of the interval beyond which due is overdue; common practice, no source."""


@dataclass(frozen=True, slots=True)
class IntervalStanding:
    """Where one interval of a task stands."""

    state: str
    because: str
    early: date | None = None
    likely: date | None = None
    late: date | None = None
    used: Figure | None = None
    interval: float | None = None
    unit: str = ""


def of_use(
    rule: ServiceRule, interval: UseInterval, use: UseHistory, base: Figure | None, today: date
) -> IntervalStanding:
    """How much of an interval of use is used up, and when it will be.

    Args:
        rule, interval: the task, and the one of its intervals.
        use: of the machine.
        base: its use when the task was done last; None where watching began since.
        today: the plant day.
    """
    counted = COUNTED[interval.counts]
    unit = counted.unit
    amount = unit.from_si(interval.amount)
    if use.now is None:
        because = f"nothing is known yet of its {counted.means}"
        return IntervalStanding(NOT_KNOWN, because, interval=amount, unit=unit.code)
    used = use.now.since(base) if base is not None else use.now
    shown = Figure(*(unit.from_si(each) for each in (used.value, used.low, used.high)))
    left_low = max(0.0, interval.amount - used.high)
    left_high = max(0.0, interval.amount - used.low)
    ahead = forecast(use.days(), today.toordinal(), left_low, left_high)
    early = likely = late = None
    if ahead is not None:
        early, likely, late = (_after(today, d) for d in (ahead.early, ahead.likely, ahead.late))
    because = f"{_plain(shown)} of {amount:.6g} {unit.label}".rstrip() + f" {counted.means}"
    state = NOT_DUE
    if used.low >= OVERDUE_BEYOND * interval.amount:
        state = OVERDUE
    elif used.high >= interval.amount:
        state = DUE
    elif early is not None and early <= today + timedelta(days=rule.notice_ahead_days):
        state = DUE_SOON
    return IntervalStanding(state, because, early, likely, late, shown, amount, unit.code)


def of_calendar(
    rule: ServiceRule, interval: CalendarInterval, since: date, today: date
) -> IntervalStanding:
    """Where a span of the calendar stands that began on a day."""
    due = add_months(since, interval.months) + timedelta(days=interval.days)
    length = (due - since).days
    state = NOT_DUE
    if (today - due).days > (OVERDUE_BEYOND - 1.0) * length:
        state = OVERDUE
    elif today >= due:
        state = DUE
    elif today >= due - timedelta(days=rule.notice_ahead_days):
        state = DUE_SOON
    # Not how many days have passed: that would be news of every task every day.
    because = f"{interval.text} after it was done"
    return IntervalStanding(state, because, due, due, due, None, float(length), "d")


def of_condition(
    interval: ConditionInterval, facts: Facts, held: Held, today: date
) -> IntervalStanding:
    """Whether a condition makes a task due."""
    holds = interval.condition.holds(facts, held)
    words = interval.condition.explain()
    if holds is None:
        return IntervalStanding(NOT_KNOWN, f"not known whether {words}")
    if not holds:
        return IntervalStanding(NOT_DUE, f"not yet so: {words}")
    return IntervalStanding(DUE, words, today, today, today)


def add_months(day: date, months: int) -> date:
    """The same day so many months later; the last of a shorter month.

    Source: RFC 5545, 3.3.10, leaves a date that does not exist out; service cannot, so the last day
    of the month is taken (common practice, no source).
    """
    whole = day.year * 12 + day.month - 1 + months
    year, month = divmod(whole, 12)
    following = date(year + (month == 11), (month + 1) % 12 + 1, 1)
    last = (following - timedelta(days=1)).day
    return date(year, month + 1, min(day.day, last))


def _after(today: date, days: float | None) -> date | None:
    return None if days is None else today + timedelta(days=int(days))


def _plain(figure: Figure) -> str:
    """``412`` or ``412 (at most 431)``."""
    text = f"{figure.value:.4g}"
    return (
        text if figure.high <= figure.value * 1.01 + 0.05 else f"{text} (at most {figure.high:.4g})"
    )
