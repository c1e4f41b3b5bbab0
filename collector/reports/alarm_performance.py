"""How good the alarms themselves are: the figures of ISA-18.2 (IEC 62682) against their targets.

The targets are those of table 7 of ISA-18.2, for one operator and at least 30 days [quoted]; so is
that a flood begins above 10 alarms in 10 min and ends below 5. Three or more of one alarm within a
minute as chattering is a screening convention [quoted]. What is ours says so.

An alarm counts when it is raised before people's eyes, not if it was shelved, suppressed or out of
service. A window of 10 min is open at its early end: what came just 10 min ago has left it.
Averages are over the time that is on record.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.core.alarms.standing import CHATTER_TIMES, CHATTER_WITHIN_US
from collector.core.calendar import begin_of, end_of
from collector.reports.alarm_rows import Activation

MINUTE_US = 60_000_000
TEN_MIN_US = 10 * MINUTE_US
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
ENOUGH_DAYS = 30

ACCEPTABLE_PER_HOUR, MOST_PER_HOUR = 6, 12
FLOOD_ABOVE, FLOOD_ENDS_BELOW = 10, 5
MOST_BUSY_SHARE = 0.01
MOST_TOP_TEN_SHARE = 0.05
FEWER_STANDING = 5
PRIORITY_TARGETS = {"low": 0.80, "medium": 0.15, "high": 0.05}
PRIORITY_TOLERANCE = {"low": 0.10, "medium": 0.10, "high": 0.05}
"""How far from "about 80, 15 and 5 %" still counts as about; common practice, no source."""
FLEETING_US = MINUTE_US
"""An alarm that came and cleared, unacknowledged, within this; common practice, no source."""
ENOUGH_FOR_TOP_TEN = 200
"""Ten alarms that came once each are more than 5 % of fewer than this."""
ENOUGH_FOR_SHARES = 20
"""One alarm is more than 5 % of fewer than this."""


@dataclass(frozen=True, slots=True)
class Flood:
    """A time with more alarms than anybody can answer.

    Args:
        from_utc_us: when the one alarm too many came.
        to_utc_us: when there were few enough again; None while it lasts.
        count: alarms from the first of the 10 min before it began until it ended.
    """

    from_utc_us: int
    to_utc_us: int | None
    count: int


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table.

    Args:
        name: what it is.
        value: None where there is nothing to divide by.
        unit: ``""``, ``/h``, ``/10 min`` or ``%``.
        target: in words.
        met: None where too little is on record to tell.
    """

    name: str
    value: float | None
    unit: str
    target: str
    met: bool | None


@dataclass(frozen=True, slots=True)
class Performance:
    """All figures of a period.

    Args:
        from_utc_us, to_utc_us: the part of the period that is on record.
        days: its length.
        count: alarms raised in it.
        figures: the table, in the standard's order.
        floods: in order.
        top_ten: the alarms that came most often and how often.
        chattering, fleeting: those that did, and how many of their activations.
        standing_by_day: begin of each plant day and how many alarms of it had stood over 24 h.
        by_priority: how many of each priority.
    """

    from_utc_us: int
    to_utc_us: int
    days: float
    count: int
    figures: tuple[Figure, ...]
    floods: tuple[Flood, ...]
    top_ten: tuple[tuple[str, int], ...]
    chattering: tuple[tuple[str, int], ...]
    fleeting: tuple[tuple[str, int], ...]
    standing_by_day: tuple[tuple[int, int], ...]
    by_priority: tuple[tuple[str, int], ...]

    @property
    def long_enough(self) -> bool:
        """Whether the period is as long as the standard wants it."""
        return self.days >= ENOUGH_DAYS


def perform(
    activations: Collection[Activation], from_utc_us: int, to_utc_us: int, zone: ZoneInfo
) -> Performance:
    """The figures of a period.

    Args:
        activations: all that were raised or stood in it.
        from_utc_us, to_utc_us: the period as far as it is on record; its end is not part of it.
        zone: of the plant; standing alarms are counted by its days.
    """
    raised = sorted(
        (
            one
            for one in activations
            if from_utc_us <= one.began_utc_us < to_utc_us and not one.covered
        ),
        key=lambda one: one.began_utc_us,
    )
    times_us = [one.began_utc_us for one in raised]
    by_subject = Counter(one.subject for one in raised)
    top_ten = tuple(by_subject.most_common(10))
    chattering = Counter(one.subject for one in raised if one.chattering)
    fleeting = Counter(one.subject for one in raised if is_fleeting(one))
    standing = _standing_by_day(activations, from_utc_us, to_utc_us, zone)
    priorities = Counter(one.priority for one in raised)
    by_priority = tuple((name, priorities[name]) for name in PRIORITY_TARGETS)
    figures = (
        *_rates(times_us, from_utc_us, to_utc_us),
        _top_ten(sum(count for _, count in top_ten), len(raised)),
        Figure("alarms that chatter", len(chattering), "", "none", not chattering),
        Figure("alarms that are fleeting", len(fleeting), "", "none", not fleeting),
        _standing(standing),
        *(_share(name, count, len(raised)) for name, count in by_priority),
    )
    return Performance(
        from_utc_us, to_utc_us, (to_utc_us - from_utc_us) / DAY_US, len(raised), figures,
        floods(times_us, to_utc_us), top_ten, tuple(chattering.most_common()),
        tuple(fleeting.most_common()), standing, by_priority,
    )  # fmt: skip


def floods(times_us: Iterable[int], to_us: int) -> tuple[Flood, ...]:
    """Floods among alarms raised at some times.

    Begins when more than 10 came within 10 min, ends when fewer than 5 did (ISA-18.2, quoted).

    Args:
        times_us: when an alarm was raised, in order.
        to_us: up to when that is known; a flood may last beyond it.
    """
    found: list[Flood] = []
    within: deque[int] = deque()
    began_us: int | None = None
    count = 0
    for at_us in (*times_us, to_us):
        while within and within[0] + TEN_MIN_US <= at_us:
            gone_us = within.popleft() + TEN_MIN_US
            if began_us is not None and len(within) < FLOOD_ENDS_BELOW:
                found.append(Flood(began_us, gone_us, count))
                began_us = None
        if at_us >= to_us:
            break
        within.append(at_us)
        if began_us is not None:
            count += 1
        elif len(within) > FLOOD_ABOVE:
            began_us, count = at_us, len(within)
    if began_us is not None:
        found.append(Flood(began_us, None, count))
    return tuple(found)


def chatters(times_us: Sequence[int]) -> set[int]:
    """Places of those activations of one alarm that belong to chattering.

    Args:
        times_us: when it was raised, in order.
    """
    found: set[int] = set()
    for last in range(CHATTER_TIMES - 1, len(times_us)):
        first = last - CHATTER_TIMES + 1
        if times_us[last] - times_us[first] <= CHATTER_WITHIN_US:
            found.update(range(first, last + 1))
    return found


def is_fleeting(one: Activation) -> bool:
    """Whether it came and went, not chattering, before anybody could see to it."""
    return (
        one.ended_utc_us is not None
        and one.ended_utc_us - one.began_utc_us < FLEETING_US
        and (one.acknowledged_utc_us is None or one.acknowledged_utc_us >= one.ended_utc_us)
        and not one.chattering
    )


def _rates(times_us: Sequence[int], from_us: int, to_us: int) -> list[Figure]:
    """Averages, and the 10-min periods of a grid from the begin on that had too many."""
    length_us = to_us - from_us
    per_hour = len(times_us) * HOUR_US / length_us if length_us > 0 else None
    per_ten = None if per_hour is None else per_hour / 6
    periods = max(1, -(-length_us // TEN_MIN_US))
    counts = Counter((at_us - from_us) // TEN_MIN_US for at_us in times_us)
    busy = sum(count > FLOOD_ABOVE for count in counts.values()) / periods
    return [
        Figure(
            "alarms an hour", per_hour, "/h",
            f"about {ACCEPTABLE_PER_HOUR}, never over {MOST_PER_HOUR}",
            _at_most(per_hour, ACCEPTABLE_PER_HOUR),
        ),
        Figure(
            "alarms in 10 min", per_ten, "/10 min",
            f"about {ACCEPTABLE_PER_HOUR // 6}, never over {MOST_PER_HOUR // 6}",
            _at_most(per_ten, ACCEPTABLE_PER_HOUR / 6),
        ),
        Figure("most alarms in one 10 min", max(counts.values(), default=0), "",
               f"at most {FLOOD_ABOVE}", max(counts.values(), default=0) <= FLOOD_ABOVE),
        Figure(
            f"periods of 10 min with more than {FLOOD_ABOVE}", 100 * busy, "%",
            f"under {100 * MOST_BUSY_SHARE:.0f} %", busy < MOST_BUSY_SHARE,
        ),
    ]  # fmt: skip


def _at_most(value: float | None, most: float) -> bool | None:
    return None if value is None else value <= most


def _top_ten(of_them: int, count: int) -> Figure:
    share = of_them / count if count else None
    met = None if share is None or count < ENOUGH_FOR_TOP_TEN else share <= MOST_TOP_TEN_SHARE
    return Figure(
        "share of the ten most frequent", _percent(share), "%",
        f"at most {100 * MOST_TOP_TEN_SHARE:.0f} %", met,
    )  # fmt: skip


def _share(name: str, of_them: int, count: int) -> Figure:
    share = of_them / count if count else None
    target, tolerance = PRIORITY_TARGETS[name], PRIORITY_TOLERANCE[name]
    met = None
    if share is not None and count >= ENOUGH_FOR_SHARES:
        met = share >= target - tolerance if name == "low" else share <= target + tolerance
    return Figure(
        f"share of priority {name}", _percent(share), "%", f"about {100 * target:.0f} %", met
    )


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def _standing(by_day: tuple[tuple[int, int], ...]) -> Figure:
    most = max((count for _, count in by_day), default=0)
    return Figure(
        "most standing over 24 h on one day", most, "", f"fewer than {FEWER_STANDING}",
        most < FEWER_STANDING,
    )  # fmt: skip


def _standing_by_day(
    activations: Iterable[Activation], from_us: int, to_us: int, zone: ZoneInfo
) -> tuple[tuple[int, int], ...]:
    """For each plant day how many alarms had stood over 24 h at some moment of it."""
    counts: dict[int, int] = {}
    day_us = begin_of("day", from_us, zone)
    while day_us < to_us:
        counts[day_us] = 0
        day_us = end_of("day", day_us, zone)
    for one in activations:
        if one.covered:
            continue
        since_us = max(one.began_utc_us + DAY_US, from_us)
        until_us = to_us if one.ended_utc_us is None else min(one.ended_utc_us, to_us)
        if since_us >= until_us:
            continue
        day_us = begin_of("day", since_us, zone)
        while day_us < until_us:
            counts[day_us] += 1
            day_us = end_of("day", day_us, zone)
    return tuple(counts.items())
