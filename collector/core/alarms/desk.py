"""The alarm desk: every alarm of a plant, looked at when something it depends on moves.

The engine gives it each input with what followed from it; it gives back the moves of alarms. Only
alarms whose facts moved are looked at, and those whose time has come; what does not move costs
nothing.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from collector.core.alarms import states
from collector.core.alarms.actions import LOGBOOK
from collector.core.alarms.alarm import Alarm, print_of, standing_in
from collector.core.alarms.bursts import Bursts
from collector.core.alarms.facts import FactBook, Moved
from collector.core.alarms.rule import AlarmRule
from collector.core.alarms.standing import Standing, raised_openly
from collector.core.alarms.states import State
from collector.core.calendar import instant_us
from collector.core.component import Saved
from collector.core.records import ActionTaken, AlarmMoved, Input, Output
from collector.errors import Bug
from collector.plant.findings import nearest_name
from collector.plant.model import Plant

IDS_KEPT = 2_000
"""Actions that are known to have been taken: more than an in-tray and a broker hold together."""


class AlarmDesk:
    """All alarms of one plant.

    Args:
        plant: for what depends on which panel.
        rules: bound to its equipment.
        offset_us: wall time minus plant time.
        also: facts that others ask for as well.
    """

    name = "alarms"

    def __init__(
        self, plant: Plant, rules: Sequence[AlarmRule], offset_us: int, also: Iterable[str] = ()
    ) -> None:
        self.offset_us = offset_us
        self._plant = plant
        self._alarms = {rule.subject: Alarm(rule) for rule in rules}
        self._of_fact: dict[str, list[str]] = {}
        for rule in rules:
            conditions = [rule.condition, *(each.condition for each in rule.suppressions)]
            for fact in dict.fromkeys(each for one in conditions for each in one.facts):
                self._of_fact.setdefault(fact, []).append(rule.subject)
        self.facts = FactBook(plant, [*self._of_fact, *also])
        self._due: list[tuple[int, str]] = []
        self._due_of: dict[str, int | None] = {}
        self._ids: deque[str] = deque(maxlen=IDS_KEPT)
        self._bursts = Bursts()
        self._kept_burst = ("", 0)
        self._fresh: set[str] = set()  # alarms of new or other rules, until they are settled
        self._kept: dict[str, Standing] = {}  # as they were saved, until they are settled
        self._gone: dict[str, Standing] = {}  # those without a rule

    # --- what comes in --------------------------------------------------------------------------

    def take(self, news: Input, outputs: Sequence[Output]) -> list[AlarmMoved]:
        """Take an input and what the engine concluded from it."""
        moved = self.facts.hear(news) + self.facts.learn(outputs, news.by_us)
        found = self._look(moved)
        if isinstance(news, ActionTaken):
            found += self._act(news)
        return self._told(found)

    def learn(self, outputs: Sequence[Output], at_us: int) -> list[AlarmMoved]:
        """Take what the engine concluded when time alone had passed."""
        return self._told(self._look(self.facts.learn(outputs, at_us)))

    def deadline_us(self) -> int | None:
        """Plant time at which it wants ``wake`` if nothing comes before; None if never."""
        while self._due and self._due_of.get(self._due[0][1]) != self._due[0][0]:
            heapq.heappop(self._due)
        return self._due[0][0] if self._due else None

    def wake(self, at_us: int) -> list[Output]:
        """Its deadline has come."""
        found: list[AlarmMoved] = []
        due_us = self.deadline_us()
        while due_us is not None and due_us <= at_us:
            _, subject = heapq.heappop(self._due)
            self._due_of[subject] = None
            alarm = self._alarms[subject]
            found += alarm.wake(due_us)
            self._note_due(alarm)
            if self._due_of[subject] == due_us:
                raise Bug(f"alarm {subject} wants to be woken again and again at {due_us}")
            due_us = self.deadline_us()
        return list(self._told(found))

    def _look(self, moved: Sequence[Moved]) -> list[AlarmMoved]:
        """Look at the alarms whose facts moved."""
        brackets: dict[str, tuple[int, int]] = {}
        for each in moved:
            for subject in self._of_fact.get(each.fact, ()):
                after_us, by_us = brackets.get(subject, (each.after_us, each.by_us))
                brackets[subject] = (min(after_us, each.after_us), max(by_us, each.by_us))
        found: list[AlarmMoved] = []
        for subject, (after_us, by_us) in brackets.items():
            if subject in self._fresh:
                continue
            alarm = self._alarms[subject]
            found += alarm.look(self.facts, after_us, by_us)
            self._note_due(alarm)
        return found

    def _note_due(self, alarm: Alarm) -> None:
        due_us = alarm.due_us()
        if due_us != self._due_of.get(alarm.subject):
            self._due_of[alarm.subject] = due_us
            if due_us is not None:
                heapq.heappush(self._due, (due_us, alarm.subject))

    # --- what people do -------------------------------------------------------------------------

    def refusal(self, action: ActionTaken) -> str | None:
        """Why an action has no effect; None if it has. A repeat has none, and is no refusal."""
        if action.verb in LOGBOOK:
            known = {*self._plant.equipment, *self._plant.panels, "plant"}
            if action.about in known:
                return None
            return _unknown("equipment", action.about, known)
        alarm = self._alarms.get(action.about)
        gone = self._gone.get(action.about)
        if action.verb == "note" and (alarm or gone):
            number, had = action.details.get("activation"), (alarm.standing if alarm else gone)
            if isinstance(number, int) and had is not None and number > had.activation:
                return f"it has had {had.activation} activations, not {number}"
            return None
        if alarm is None:
            return _unknown("alarm", action.about, self._alarms)
        return alarm.refusal(action.verb)

    def knows(self, action_id: str) -> bool:
        """Whether an action of this id was taken already."""
        return action_id in self._ids

    def _act(self, action: ActionTaken) -> list[AlarmMoved]:
        key = str(action.details.get("id", ""))
        if key in self._ids:
            return []
        self._ids.append(key)
        if action.details.get("refused") or action.verb in LOGBOOK:
            return []
        if action.about in self._fresh or self.refusal(action) is not None:
            return []
        alarm = self._alarms.get(action.about)
        if alarm is None:  # a note about one whose rule is gone
            return []
        until_us = self._until_us(action.details.get("until"))
        reason = str(action.details.get("reason") or action.details.get("comment") or "")
        found = alarm.act(action.verb, action.actor, action.by_us, until_us, reason)
        if until_us is not None:
            found = [
                replace(move, details={**move.details, "until": str(action.details["until"])})
                for move in found
            ]
        self._note_due(alarm)
        return found

    def _until_us(self, until: object) -> int | None:
        """Plant time until which an alarm is shelved."""
        if not isinstance(until, str):
            return None
        try:
            return instant_us(datetime.fromisoformat(until)) - self.offset_us
        except (ValueError, TypeError):
            return None

    def _told(self, found: list[AlarmMoved]) -> list[AlarmMoved]:
        return self._bursts.mark(found, lambda subject: self._alarms[subject].rule.priority)

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        alarms: Saved = {
            subject: alarm.save() for subject, alarm in self._alarms.items() if not alarm.plain
        }
        prints: Saved = {subject: print_of(alarm.rule) for subject, alarm in self._alarms.items()}
        counts: Saved = {subject: gone.activation for subject, gone in self._gone.items()}
        return {
            "alarms": alarms, "prints": prints, "counts": counts, "facts": self.facts.save(),
            "ids": " ".join(self._ids),
            "burst": {"first": self._bursts.first, "latest_us": self._bursts.latest_us},
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        """Take back a state from ``save``, of these or of other rules; then ``settle``.

        An alarm whose rule is another one than before, or new, stands as it stood until then.
        """
        parts = {name: part for name, part in saved.items() if isinstance(part, dict)}
        self.facts.restore(parts.get("facts", {}))
        self._ids = deque(str(saved.get("ids", "")).split(), maxlen=IDS_KEPT)
        burst = parts.get("burst", {})
        self._kept_burst = str(burst.get("first", "")), int(str(burst.get("latest_us", 0)))
        self._bursts.first, self._bursts.latest_us = self._kept_burst
        texts = {subject: str(text) for subject, text in parts.get("alarms", {}).items()}
        prints = parts.get("prints", {})
        self._kept = {
            subject: Standing(activation=int(str(count)))
            for subject, count in parts.get("counts", {}).items()
        }
        self._kept |= {subject: standing_in(text) for subject, text in texts.items()}
        for subject, alarm in self._alarms.items():
            if prints.get(subject) == print_of(alarm.rule):
                if subject in texts:
                    alarm.restore(texts[subject])
            else:
                self._fresh.add(subject)
                alarm.standing = replace(self._kept.get(subject, Standing()))
            self._note_due(alarm)
        self._gone = {
            subject: standing
            for subject, standing in self._kept.items()
            if subject not in self._alarms
        }

    def follow(self, moves: Iterable[AlarmMoved]) -> None:
        """Let every alarm stand as the record says, after ``restore`` and a replay.

        What time alone brought an alarm to cannot be replayed to the second: whether it was told
        before the end, or before the loss of a panel was noticed, only the record knows.

        Args:
            moves: all that were told since the state, in order.
        """
        told = {subject: replace(standing) for subject, standing in self._kept.items()}
        self._bursts.first, self._bursts.latest_us = self._kept_burst
        for move in moves:
            standing = told.setdefault(move.subject, Standing())
            standing.adopt(move, self._until_us(move.details.get("until")))
            if raised_openly(move):
                self._bursts.note(move)
        for subject, alarm in self._alarms.items():
            standing = told.get(subject, Standing())
            if None not in (standing.shelf_until_us, alarm.standing.shelf_until_us):
                # The action itself knows it better: the clock may have been stepped since.
                standing.shelf_until_us = alarm.standing.shelf_until_us
            alarm.standing = standing
            self._note_due(alarm)
        self._gone |= {
            subject: standing for subject, standing in told.items() if subject not in self._alarms
        }

    def settle(self, at_us: int) -> list[AlarmMoved]:
        """After a restart: tell what other rules brought, and end alarms without a rule.

        Args:
            at_us: plant time of this instant.
        """
        found: list[AlarmMoved] = []
        for subject, gone in self._gone.items():
            if gone.state is not State.NORMAL:
                gone.withdraw()
                found.append(
                    AlarmMoved(subject, gone.state.value, states.WITHDRAWN, at_us, at_us,
                               gone.activation)
                )  # fmt: skip
        self._fresh, self._kept = set(), {}
        for alarm in self._alarms.values():
            found += alarm.look(self.facts, at_us, at_us)
            self._note_due(alarm)
        return self._told(found)


def _unknown(what: str, found: str, known: Iterable[str]) -> str:
    nearest = nearest_name(found, known)
    return f"there is no {what} '{found}'" + (f"; did you mean '{nearest}'?" if nearest else "")
