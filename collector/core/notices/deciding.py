"""What is to be told now, as a function of how everything stands: no queue, nothing remembered.

Each way of each person has at most one notice under way. What it says is found anew from the
alarms as they stand and from what was told before, so an outage collects everything into one
notice, a restart comes to the same notice again, and what nobody needs to know any more is left
out. Lengths are in plant time; hours and days are on the wall clock of the plant's zone.

Rules, for one way of one person:

* An alarm that stands unacknowledged is told at once to those whose turn it is, and again after a
  time, a bounded number of times. One that is set aside is silent.
* The end of an alarm is told to those who were told of it.
* What came and went before anybody was told is told once, to those whose turn it was.
* From an alarm's third activation within ten minutes on, its activations are counted, and told
  together when it has been calm for that long, or at the time of a repetition.
* In a flood one notice says so with the list; what follows is told together every ten minutes, an
  alarm of high priority within one minute.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from collector.core.calendar import local
from collector.core.notices.daily import Morning, daily_notice
from collector.core.notices.kept import Activation, Told
from collector.core.notices.notice import (
    AGAIN,
    ALARM,
    ENDED,
    GONE,
    STANDS,
    Notice,
    id_of,
)
from collector.core.notices.routes import MINUTE_US, Person, Routes
from collector.core.notices.situation import Situation

LOOK_EVERY_US = MINUTE_US
"""Longest time until it is decided anew: hours begin and end at full minutes."""
FIRST_PAUSE_US, LONGEST_PAUSE_US = 10_000_000, 300_000_000
HIGH_GAP_US = MINUTE_US


@dataclass(frozen=True, slots=True)
class Step:
    """What is to be done in one way.

    Args:
        give_up: the notice under way there that says what is so no more, or None.
        notice: the one to attempt, or None.
    """

    to: str
    give_up: Notice | None
    notice: Notice | None


@dataclass(frozen=True, slots=True)
class Decision:
    """What is to be done now, and when to ask again (plant time)."""

    steps: tuple[Step, ...]
    wake_us: int

    @property
    def notices(self) -> tuple[Notice, ...]:
        """The notices to attempt."""
        return tuple(step.notice for step in self.steps if step.notice is not None)


@dataclass(slots=True)
class _View:
    """One look at the situation."""

    situation: Situation
    routes: Routes
    now_us: int
    zone: tzinfo
    flood_us: int | None
    wakes: list[int] = field(default_factory=list)

    def at(self, utc_us: int) -> datetime:
        """An instant on the plant's clocks."""
        return local(utc_us, self.zone)

    def now(self) -> datetime:
        """This instant on them."""
        return self.at(self.now_us + self.situation.offset_us)

    def reached(self, due_us: int) -> bool:
        """Whether an instant has come; if not, it is remembered for the next look."""
        if due_us <= self.now_us:
            return True
        self.wakes.append(due_us)
        return False


def decide(
    situation: Situation,
    routes: Routes,
    now_us: int,
    zone: tzinfo,
    busy: Collection[str] = (),
) -> Decision:
    """What is to be done now.

    Args:
        situation: up to the newest record.
        routes: who is told of what.
        now_us: plant time.
        zone: the plant's time zone.
        busy: ways (``person.way``) in which an attempt is under way.
    """
    flood_us = situation.flood_since(now_us, routes.flood_more, routes.flood_ends, routes.flood_us)
    view = _View(situation, routes, now_us, zone, flood_us)
    steps = []
    for person in routes.people.values():
        for way in person.ways:
            to = f"{person.name}.{way}"
            if to not in busy:
                step = _step(view, person, to)
                if step is not None:
                    steps.append(step)
    known = {f"{one.name}.{way}" for one in routes.people.values() for way in one.ways}
    for to, told in situation.told.items():
        if to not in known and told.open is not None and to not in busy:
            steps.append(Step(to, told.open, None))
    return Decision(tuple(steps), min([now_us + LOOK_EVERY_US, *view.wakes]))


def _step(view: _View, person: Person, to: str) -> Step | None:
    told = view.situation.of(to)
    wanted = _alarms(view, person, to, told) or _daily(view, person, to, told)
    if wanted is None:
        return None if told.open is None else Step(to, told.open, None)
    if told.failures and not view.reached(told.failed_us + pause_us(told.failures)):
        return None
    same = told.open is not None and told.open.id == wanted.id
    earlier = told.open.attempt if same and told.open is not None else 0
    repeat = told.may_have_heard(wanted.id, wanted.about)
    notice = Notice(
        wanted.id, to, wanted.kind, wanted.about, wanted.day, wanted.flood, earlier + 1, repeat
    )
    return Step(to, None if same else told.open, notice)


def pause_us(failures: int) -> int:
    """How long to wait after so many failures in a row; common practice, no source."""
    return int(min(LONGEST_PAUSE_US, FIRST_PAUSE_US * 2 ** min(failures - 1, 20)))


# --- alarms ---------------------------------------------------------------------------------------


def _alarms(view: _View, person: Person, to: str, told: Told) -> Notice | None:
    about: dict[str, str] = {}
    urgent = False
    for found in view.situation.activations.values():
        for one in found:
            word = _word(view, person, to, one, one is found[-1])
            if word:
                about[one.key] = word
                urgent = urgent or (word == STANDS and one.priority == "high")
    if not about:
        return None
    flood = view.flood_us is not None
    if flood and told.flood_us is not None and told.flood_us >= (view.flood_us or 0):
        gap_us = HIGH_GAP_US if urgent else view.routes.flood_us
        if not view.reached((told.alarm_us or 0) + gap_us):
            return None
    parts = [f"{key} {word}" for key, word in sorted(about.items())]
    return Notice(id_of(to, ALARM, told.last_id, *parts), to, ALARM, about, flood=flood)


def _word(view: _View, person: Person, to: str, one: Activation, newest: bool) -> str:
    """What is to be told of an activation now; empty for nothing."""
    if one.old or one.silent:
        return ""
    if one.ended_us is None:
        return _of_standing(view, person, to, one) if newest else ""
    return _of_ended(view, person, to, one, newest)


def _of_standing(view: _View, person: Person, to: str, one: Activation) -> str:
    routes = view.routes
    if not one.calls:
        return ""
    age_us = view.now_us - one.since_us
    if person.name not in routes.recipients(one.priority, one.equipment, age_us, view.now()):
        return ""
    words = view.situation.words(to, one)
    if not words:
        before = view.situation.raised_within(one.subject, one.raised_us, routes.chatter_us)
        calm_us = one.raised_us + routes.chatter_us
        folded = len(before) > routes.chatter_times
        return "" if folded and not view.reached(_summed_up_us(view, to, one, calm_us)) else STANDS
    again = sum(1 for _, word in words if word == AGAIN)
    if again < routes.repeats and view.reached(words[-1][0] + routes.repeat_us):
        return AGAIN
    return ""


def _of_ended(view: _View, person: Person, to: str, one: Activation, newest: bool) -> str:
    situation, routes = view.situation, view.routes
    if one.covered and newest:
        return ""
    words = situation.words(to, one)
    if words:
        # Of an alarm that stands again the end of an earlier activation is no news.
        word = ENDED if newest and words[-1][1] in (STANDS, AGAIN) else ""
    elif _may_have_heard(situation.of(to), one):
        word = GONE
    elif one.acknowledged or situation.told_of.get(one.key):
        return ""
    else:
        age_us = (one.ended_us or 0) - one.raised_us
        then = view.at(one.raised_utc_us)
        meant = routes.recipients(one.priority, one.equipment, age_us, then)
        word = GONE if person.name in meant else ""
    if not word:
        return ""
    recent = situation.raised_within(one.subject, view.now_us, routes.chatter_us)
    if len(recent) >= routes.chatter_times:
        calm_us = recent[-routes.chatter_times] + routes.chatter_us
        if not view.reached(_summed_up_us(view, to, one, calm_us)):
            return ""
    return word


def _may_have_heard(told: Told, one: Activation) -> bool:
    return any(one.key in keys for keys in told.doubtful.values())


def _summed_up_us(view: _View, to: str, one: Activation, calm_us: int) -> int:
    """When what is folded of a chattering alarm is told: when it is calm, or is told again."""
    told = view.situation.of(to)
    last_us = max(
        (
            told.about[other.key][-1][0]
            for other in view.situation.activations[one.subject]
            if told.about.get(other.key)
        ),
        default=None,
    )
    return calm_us if last_us is None else min(calm_us, last_us + view.routes.repeat_us)


def _daily(view: _View, person: Person, to: str, told: Told) -> Notice | None:
    offset_us = view.situation.offset_us
    minute = view.routes.digest_minute
    look = Morning(view.now_us + offset_us, minute, view.zone)
    view.wakes.append(max(view.now_us + 1, look.next_us - offset_us))
    return daily_notice(person, to, told, view.situation.service, look)
