"""Random lives of one alarm, lived by the desk and by the reference at once."""

from __future__ import annotations

from random import Random

from collector.core.alarms.rule import AlarmRule, Happens, Missing, Shape, Stands
from tests.unit.core.alarms.on_paper import Paper, seconds
from tests.unit.core.alarms.one_alarm import rule
from tests.unit.core.alarms.reference_alarm import Line, ReferenceAlarm
from tests.unit.core.scans_for_tests import us

SHAPES: tuple[Shape, ...] = (Stands(), Stands(), Happens(2, us(40)), Missing(us(15)))
VERBS = ("acknowledge", "reset", "shelve", "unshelve", "out_of_service", "return_to_service")
WEIGHED = (
    *["contact"] * 8, *["away"] * 2, *["bad"], *["lost"], *["found"] * 3, *["person"] * 4,
    *["nothing"] * 2, *["restart"],
)  # fmt: skip


def a_random_rule(random: Random) -> AlarmRule:
    """Any shape, delays that are often none, perhaps latching, perhaps suppressed by design."""
    return rule(
        fact="p.high",
        shape=random.choice(SHAPES), on_s=random.choice((0, 0, 3, 10)),
        off_s=random.choice((0, 0, 2, 8)), latching=random.random() < 0.4,
        suppressed_by="p.away" if random.random() < 0.5 else "",
    )  # fmt: skip


class Life:
    """One alarm, in the desk and in the reference.

    Args:
        random: decides what happens.
    """

    def __init__(self, random: Random) -> None:
        of = a_random_rule(random)
        self._random = random
        self._paper = Paper(of)
        self._reference = ReferenceAlarm(of)
        self._now = 0
        self.script: list[str] = [repr(of)]

    def step(self) -> None:
        """Let something happen in both, and compare all that was told."""
        what = self._random.choice(WEIGHED)
        self._now += self._random.choice((0, 1, 1, 2, 3, 5, 9, 30))
        self._reference.run_to(self._now)
        self._paper.pass_time(self._now)
        self.script.append(f"{self._now} {what}")
        getattr(self, f"_{what}")()
        told, expected = self.told(), self._reference.lines
        assert told == expected, "\n".join([*self.script, f"desk {told}", f"reference {expected}"])

    def told(self) -> list[Line]:
        """What the desk told so far."""
        return [
            (round(seconds(move.by_us)), move.happening, move.state, move.activation)
            for move in self._paper.told
        ]

    def _contact(self) -> None:
        value = self._random.random() < 0.5
        self.script[-1] += f" {value}"
        self._paper.fact(self._now, "p.high", value)
        self._reference.set_contact(value)

    def _away(self) -> None:
        value = self._random.random() < 0.4
        self.script[-1] += f" {value}"
        self._paper.fact(self._now, "p.away", value)
        self._reference.set_away(value)

    def _bad(self) -> None:
        point = self._random.choice(("high", "away"))
        self.script[-1] += f" {point}"
        self._paper.fact(self._now, f"p.{point}", None)
        set_it = self._reference.set_contact if point == "high" else self._reference.set_away
        set_it(None)

    def _lost(self) -> None:
        self._paper.lose(self._now)
        self._reference.set_lost(True)

    def _found(self) -> None:
        self._paper.find(self._now)
        self._reference.set_lost(False)

    def _person(self) -> None:
        verb = self._random.choice(VERBS)
        self.script[-1] += f" {verb}"
        until = self._now + self._random.choice((1, 5, 20, 100))
        before = len(self._paper.told)
        if verb == "shelve":
            self._paper.shelve(self._now, until)
        else:
            self._paper.act(self._now, verb)
        had_effect = self._reference.act(verb, until)
        assert (len(self._paper.told) > before) is had_effect, "\n".join(self.script)

    def _nothing(self) -> None:
        pass

    def _restart(self) -> None:
        self._paper.restart(self._now)


def live(seed: int, steps: int) -> None:
    """A whole life; fails with its script where desk and reference part."""
    life = Life(Random(seed))
    for _ in range(steps):
        life.step()
