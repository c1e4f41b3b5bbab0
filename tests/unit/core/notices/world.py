"""Notices on paper: a journal that is a list, a clock that a test moves, a far side that may fail.

The courier, the decisions and the texts are the real ones. What a crash loses is what a crash of
the daemon loses: records not yet committed, and all memory. People and alarms are invented.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from collector.core.alarms import states
from collector.core.alarms.wire import alarm_text, state_text
from collector.core.catalogue import Catalogue
from collector.core.notices.courier import Courier, Errand, Outcome
from collector.core.notices.notice import Notice
from collector.core.notices.routes import MINUTE_US, Hours, Person, Routes, Turn
from collector.core.notices.situation import Situation
from collector.core.notices.wording import Text, Words
from collector.core.records import AlarmMoved, Quality, Record, RecordKind, Value
from tests.outlet_samples import sample_plant
from tests.unit.core.alarms.one_alarm import rule

ZONE = ZoneInfo("Europe/Dublin")
SECOND_US = 1_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
DAYTIME = Hours(frozenset(range(5)), 7 * 60, 19 * 60)

WARDEN = Person("warden", ("mail",), digest=True)
ENGINEER = Person("engineer", ("mail", "phone"), priorities=frozenset({"high", "medium"}))
OWNER = Person("owner", ("mail",))
ROUTES = Routes(
    {one.name: one for one in (WARDEN, ENGINEER, OWNER)},
    (Turn(("warden",)), Turn(("engineer",), 15 * MINUTE_US)),
    "owner",
)
NO_DIGEST = replace(ROUTES, people={**ROUTES.people, "warden": replace(WARDEN, digest=False)})


def utc(text: str) -> int:
    """Microseconds of an instant of UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * SECOND_US


@dataclass(frozen=True)
class Arrival:
    """What the far side took."""

    at_us: int
    notice: Notice
    text: Text


@dataclass
class World:
    """One plant's notices.

    Attributes:
        journal: what is committed.
        pending: what was submitted and is not yet.
        arrived: what the far side took, in order.
        away: ways (``person.way``) that do not answer, or all of them.
        tries: attempts made.
    """

    routes: Routes = NO_DIGEST
    now_us: int = field(default_factory=lambda: utc("2026-03-02T12:00:00"))  # a Monday
    offset_us: int = 0
    journal: list[Record] = field(default_factory=list)
    pending: list[Record] = field(default_factory=list)
    arrived: list[Arrival] = field(default_factory=list)
    away: Callable[[str], bool] = lambda to: False
    tries: int = 0
    numbers: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.start()

    # --- the daemon -----------------------------------------------------------------------------

    def start(self) -> None:
        """A new process: everything is read back."""
        situation = Situation({"sump.level"})
        for record in self.journal:
            situation.take(record)
        situation.offset_us = self.offset_us
        rules = {name: rule(name, fact="sump.level") for name in self.numbers}
        plant = sample_plant()
        words = Words(plant, Catalogue(plant), rules, self.routes, ZONE)
        self.courier = Courier(situation, self.routes, words, ZONE)

    def crash(self) -> None:
        """The process dies; what was not committed is gone."""
        self.pending = []
        self.start()

    def commit(self) -> None:
        """Bring to the disk what was submitted."""
        records, self.pending = self.pending, []
        for record in records:
            self.write(record)

    def write(self, record: Record) -> None:
        """Commit a record and have it seen."""
        kept = replace(record, sequence=len(self.journal) + 1)
        self.journal.append(kept)
        self.courier.take([kept])

    def turn(self) -> int:
        """Do all there is to do now; when to do it again."""
        while True:
            self.commit()
            for errand in self.courier.errands():
                self.pending.append(self.courier.done(errand, self.hand_over(errand), self.now_us))
            self.commit()
            records, wake_us = self.courier.step(self.now_us)
            if not records:
                return wake_us
            self.pending += records

    def hand_over(self, errand: Errand) -> Outcome:
        """The far side takes a notice, or does not."""
        self.tries += 1
        if self.away(errand.notice.to):
            return Outcome(False, "no answer")
        self.arrived.append(Arrival(self.now_us, errand.notice, errand.text))
        return Outcome(True)

    def pass_us(self, length_us: int) -> None:
        """Let time pass, doing what is due at its instant."""
        end_us = self.now_us + length_us
        while True:
            wake_us = self.turn()
            self.courier.situation.forget(self.now_us)
            if wake_us >= end_us:
                break
            self.now_us = max(self.now_us + 1, wake_us)
        self.now_us = end_us
        self.turn()

    # --- what happens ---------------------------------------------------------------------------

    def move(
        self, subject: str, happening: str, state: states.State, quality: Quality = Quality.GOOD,
        **details: Value,
    ) -> None:  # fmt: skip
        """An alarm moves now."""
        number = self.numbers.setdefault(subject, 0)
        moved = AlarmMoved(
            subject, state.value, happening, self.now_us, self.now_us, number, quality, details
        )
        self.record(RecordKind.ALARM, subject, alarm_text(moved), quality)

    def raises(self, subject: str, priority: str = "high", **details: Value) -> str:
        """An alarm is raised; its key."""
        self.numbers[subject] = self.numbers.get(subject, 0) + 1
        title = subject.replace(".", ": ").replace("_", " ")
        state = states.State.UNACKNOWLEDGED
        details = {"priority": priority, "title": title, **details}
        self.move(subject, states.RAISED, state, Quality.GOOD, **details)
        return f"{subject}#{self.numbers[subject]}"

    def clears(self, subject: str) -> None:
        """It clears before anybody acknowledged it."""
        self.move(subject, states.CLEARED, states.State.RETURNED)

    def acknowledged(self, subject: str) -> None:
        """Somebody acknowledges it while it stands."""
        state = states.State.ACKNOWLEDGED
        self.move(subject, states.ACKNOWLEDGED, state, actor="warden")

    def service(self, task: str, state: str, since: str) -> None:
        """A task of service comes into a state."""
        text = state_text(state, {"title": task, "since": since, "because": "500 of 500 h"})
        self.record(RecordKind.SERVICE, task, text)

    def record(
        self, kind: RecordKind, subject: str, value: Value, quality: Quality = Quality.GOOD
    ) -> None:
        """Something else is committed now."""
        self.write(
            Record(kind, subject, self.now_us, self.now_us + self.offset_us, self.now_us, value,
                   quality)
        )  # fmt: skip

    def step_clock(self, by_us: int) -> None:
        """The wall clock is stepped."""
        self.offset_us += by_us
        self.record(RecordKind.CLOCK, "clock", self.offset_us)

    # --- what is asked --------------------------------------------------------------------------

    def told(self, to: str = "") -> list[tuple[str, dict[str, str]]]:
        """To whom something arrived, and what, in order."""
        return [
            (one.notice.to, dict(one.notice.about))
            for one in self.arrived
            if one.notice.to.startswith(to)
        ]

    def steps(self, to: str) -> list[str]:
        """What the journal says of the notices of a way."""
        found = [r for r in self.journal if r.kind is RecordKind.NOTICE and r.subject == to]
        return [str(json.loads(str(record.value))["happening"]) for record in found]


def local_times(arrived: Sequence[Arrival], offset_us: int = 0) -> list[str]:
    """When things arrived, on the plant's clocks."""
    found = []
    for one in arrived:
        at = datetime.fromtimestamp((one.at_us + offset_us) / 1e6, ZONE)
        found.append(f"{at:%Y-%m-%d %H:%M}")
    return found
