"""How many notices are sent, doubled and lost over random outages and restarts.

    python -m tests.bench.notices 1000

Each round is a plant of its own over some virtual hours: alarms come, chatter, go and are
acknowledged; the far side fails for all or for one way, refuses, or takes a mail and loses its
answer; the process dies at any point between a decision and its result. Courier, decisions and
texts are the real ones; journal, clock and far side are those of ``tests/unit/core/notices/
world.py``, so a list stands for the journal: that the real one keeps what it has committed is
shown by its own kill tests. At the end of each round everything works for three hours.

Doubled: the same was told of the same alarm in the same way twice without saying that it may be a
repeat. Lost: an alarm that stood unacknowledged was told to nobody, or whoever was told of it did
not hear of its end.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, replace
from random import Random

from collector.core.alarms.states import State
from collector.core.notices.courier import Errand, Outcome
from collector.core.notices.notice import ENDED, GONE, STANDS
from collector.core.notices.routes import MINUTE_US
from tests.unit.core.notices.world import HOUR_US, ROUTES, Arrival, World

SUBJECTS = ("sump.high", "sump.odd", "pump_1.fault", "works.lost", "works.no_voltage")
EVENTS = 40
AWAY = ("warden.mail", "engineer.mail", "engineer.phone")


class Died(Exception):
    """The process ended here."""


@dataclass
class Truth:
    """One alarm as it was: since when, acknowledged by then."""

    standing: str = ""
    acknowledged: bool = False


class RandomWorld(World):
    """A world in which things go wrong by chance."""

    chance: Random
    wild = True

    def commit(self) -> None:
        """Some of what was submitted reaches the disk before the process dies."""
        if self.wild and self.pending and self.chance.random() < 0.03:
            kept = self.chance.randrange(len(self.pending) + 1)
            records, self.pending = self.pending[:kept], []
            for record in records:
                self.journal.append(replace(record, sequence=len(self.journal) + 1))
            raise Died
        super().commit()

    def hand_over(self, errand: Errand) -> Outcome:
        """The far side: away, refusing, losing its answer, or taking it; and we may die."""
        draw = self.chance.random() if self.wild else 1.0
        if draw < 0.02:
            raise Died
        if self.away(errand.notice.to) or draw < 0.05:
            return Outcome(False, "no answer")
        self.arrived.append(Arrival(self.now_us, errand.notice, errand.text))
        if draw < 0.07:
            raise Died
        return Outcome(False, "lost answer", uncertain=True) if draw < 0.10 else Outcome(True)

    def live(self, length_us: int) -> int:
        """Let time pass; how often the process died."""
        end_us, deaths = self.now_us + length_us, 0
        while True:
            try:
                self.pass_us(end_us - self.now_us)
            except Died:
                deaths += 1
                self.crash()
                continue
            return deaths


def one_round(seed: int) -> Counter[str]:
    """One plant; what was counted."""
    chance = Random(seed)
    world = RandomWorld(replace(ROUTES, repeats=chance.choice((0, 1, 4))))
    world.chance = chance
    truth = {subject: Truth() for subject in SUBJECTS}
    called: dict[str, bool] = {}  # every activation, and whether anybody has to hear of it
    ended: set[str] = set()
    found: Counter[str] = Counter()
    for _ in range(EVENTS):
        what = chance.random()
        subject = chance.choice(SUBJECTS)
        one = truth[subject]
        if what < 0.15:
            world.away = _outage(chance)
            found["outages"] += 1
        elif what < 0.25:
            world.crash()
            found["restarts"] += 1
        elif not one.standing:
            priority = chance.choice(("low", "medium", "high"))
            one.standing, one.acknowledged = world.raises(subject, priority), False
            called[one.standing] = True
        elif what < 0.4 and not one.acknowledged:
            world.acknowledged(subject)
            one.acknowledged = True
            called[one.standing] = False
        else:
            state = State.NORMAL if one.acknowledged else State.RETURNED
            world.move(subject, "cleared", state)
            ended.add(one.standing)
            one.standing = ""
        found["restarts"] += world.live(round(chance.expovariate(1 / 8)) * MINUTE_US + 1)
    world.away, world.wild = (lambda to: False), False
    world.crash()
    world.pass_us(3 * HOUR_US)
    found.update(_judged(world, called, ended))
    return found


def _outage(chance: Random):  # type: ignore[no-untyped-def]
    away = chance.choice((frozenset(), frozenset(AWAY), frozenset({chance.choice(AWAY)})))
    return lambda to: to in away


def _judged(world: World, called: dict[str, bool], ended: set[str]) -> Counter[str]:
    found: Counter[str] = Counter(sent=len(world.arrived))
    heard: Counter[tuple[str, str, str, str]] = Counter()
    words: dict[tuple[str, str], list[str]] = {}
    days: Counter[tuple[str, str]] = Counter()
    for arrival in world.arrived:
        notice = arrival.notice
        found["marked repeats"] += notice.may_be_repeat
        if notice.day and not notice.may_be_repeat:
            days[notice.to, notice.day] += 1
        for key, word in notice.about.items():
            words.setdefault((notice.to, key), []).append(word)
            if word in (STANDS, ENDED, GONE) and not notice.may_be_repeat:
                heard[notice.to, key, word, notice.day] += 1
    found["doubled"] += sum(count - 1 for count in (*heard.values(), *days.values()) if count > 1)
    told = {key for _, key in words}
    found["lost"] += sum(1 for key, calls in called.items() if calls and key not in told)
    newest = {f"{subject}#{number}" for subject, number in world.numbers.items()}
    for (_, key), said in words.items():
        if key in ended and key in newest and said[-1] not in (ENDED, GONE):
            found["lost"] += 1
    found["alarms"] += len(called)
    return found


def measured(rounds: int) -> Counter[str]:
    """The sum over some rounds."""
    found: Counter[str] = Counter()
    for seed in range(rounds):
        found.update(one_round(seed))
    return found


def main() -> None:
    """Print the figures."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    found = measured(rounds)
    print(f"{rounds} rounds on a list for a journal, virtual time")
    for name in ("alarms", "outages", "restarts", "sent", "marked repeats", "doubled", "lost"):
        print(f"{name:>15}  {found[name]}")


if __name__ == "__main__":
    main()
