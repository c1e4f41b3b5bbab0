"""Who should run, by the floats alone: failed to start, failed to stop, running uncalled.

The program of small panels (common practice, no source): start-1 calls the lead pump, start-2 or
high all of them; what was called stays called until the stop float opens, which is the low float,
or start-1 where there is none; with the next call another pump leads. After a gap the floats say
only some of it, so calls are kept as the least and the most that may stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import both, inverse
from collector.core.diagnosis.limits import (
    NOT_IN_AUTO_AFTER_S,
    START_WITHIN_S,
    STOP_WITHIN_S,
    UNCALLED_AFTER_S,
    VISITOR_READY_S,
)
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import PUMP, diagnosis, duration, role_words
from collector.core.process.contacts import Contacts
from collector.plant.equipment import Floats


@dataclass(frozen=True, slots=True)
class CalledPump:
    """A pump the panel's program calls.

    Args:
        name, title: in the plant file.
        run, fault, auto: its contacts.
        mains: contact that says there is voltage, or None.
    """

    name: str
    title: str
    run: str
    fault: str | None
    auto: str | None
    mains: str | None


class PumpCalls:
    """The calls of one well.

    Args:
        floats: of the well.
        pumps: of the well, in the order in which they take turns.
        contacts: all of their contacts; kept up to date by the owner.
        visits: their panel is only there at times.
    """

    def __init__(
        self, floats: Floats, pumps: Sequence[CalledPump], contacts: Contacts, *,
        visits: bool = False,
    ) -> None:  # fmt: skip
        self.pumps = tuple(pumps)
        self._floats = {role: switch.point for role, switch in floats.by_role()}
        self._contacts = contacts
        self.stop_role = "low" if "low" in self._floats else "start_1"
        self.works = "start_1" in self._floats
        self._start_within_s = VISITOR_READY_S if visits else START_WITHIN_S
        self.least, self.most = 0, len(self.pumps)
        self.next_lead: str | None = None
        self._uncalled: dict[str, bool] = {}  # pumps whose run nobody called
        self._covered: dict[str, bool] = {}  # pumps whose run was called for at some moment
        self._started_last = ""

    # --- what is known --------------------------------------------------------------------------

    def made(self, role: str) -> bool | None:
        """Whether a float is made; False where there is none."""
        point = self._floats.get(role)
        return False if point is None else self._contacts.made(point)

    def runs(self, pump: CalledPump) -> bool | None:
        """Whether a pump runs."""
        return self._contacts.made(pump.run)

    def available(self, pump: CalledPump) -> bool | None:
        """Whether the panel can count on it."""
        auto = True if pump.auto is None else self._contacts.made(pump.auto)
        fine = True if pump.fault is None else inverse(self._contacts.made(pump.fault))
        powered = True if pump.mains is None else self._contacts.made(pump.mains)
        return both(both(auto, fine), powered)

    def stop_opened(self) -> bool | None:
        """Whether the floats tell all pumps to stand."""
        if "low" in self._floats:
            return inverse(self.made("low"))
        above = [self.made(role) for role in ("start_1", "start_2", "high")]
        if any(each is True for each in above):
            return False
        return None if None in above else True

    # --- what happens ---------------------------------------------------------------------------

    def follow(self, *, doubted: bool) -> None:
        """Bring the calls up to date; ``doubted`` while the floats cannot be believed."""
        everybody = len(self.pumps)
        stop = self.stop_opened()
        if doubted or stop is None:
            self.least, self.most = 0, everybody
        elif stop:
            self.least = self.most = 0
        elif self.made("start_2") or self.made("high"):
            self.least = self.most = everybody
        elif self.made("start_1"):
            self.least, self.most = max(self.least, 1), max(self.most, 1)
        elif self.made("start_1") is None:
            self.least, self.most = 0, everybody
        self._note_uncalled()

    def started(self, pump: str) -> None:
        """A pump was seen to start."""
        self._started_last = pump

    def forget(self) -> None:
        """Something may have happened unseen."""
        self.least, self.most = 0, len(self.pumps)
        self.next_lead = None

    def _note_uncalled(self) -> None:
        """Of pumps that run in auto without a call, the one that came last came uncalled."""
        running = []
        for pump in self.pumps:
            if self.runs(pump) and self.available(pump):
                running.append(pump.name)
            else:
                self._uncalled.pop(pump.name, None)
                self._covered.pop(pump.name, None)
        if len(running) <= self.most:
            self._covered = dict.fromkeys(running, True)
            return
        # One that was called and runs on has failed to stop; it did not come uncalled.
        free = [name for name in running if name not in self._covered]
        if free and not self._uncalled:
            last = self._started_last if self._started_last in free else free[-1]
            self._uncalled[last] = True

    # --- claims ---------------------------------------------------------------------------------

    def claims(self, *, doubted: bool) -> list[Claim]:
        """The claims about each pump."""
        failing = () if doubted else self._failing()
        found = []
        for pump in self.pumps:
            runs, available = self.runs(pump), self.available(pump)
            fails: bool | None = None
            if runs or available is False:
                fails = False
            elif pump in failing:
                fails = True
            found.append(
                Claim(f"{pump.name}.failed_to_start", fails, self._start_within_s,
                      partial(self._tell_start, pump))
            )  # fmt: skip
            uncalled = runs
            if runs and (doubted or pump.name not in self._uncalled):
                uncalled = None if doubted else False
            found.append(
                Claim(f"{pump.name}.runs_uncalled", uncalled, UNCALLED_AFTER_S,
                      partial(self._tell_uncalled, pump))
            )  # fmt: skip
            runs_on: bool | None = both(runs, None if doubted else self.stop_opened())
            if runs_on and pump.name in self._uncalled:
                runs_on = False  # said already
            wait_s = STOP_WITHIN_S
            if pump.auto is not None and self._contacts.made(pump.auto) is False:
                wait_s += NOT_IN_AUTO_AFTER_S  # that it is in hand comes first
            found.append(
                Claim(f"{pump.name}.failed_to_stop", runs_on, wait_s,
                      partial(self._tell_stop, pump))
            )  # fmt: skip
        return found

    def _failing(self) -> tuple[CalledPump, ...]:
        """Pumps that should run and do not, as far as it is clear which."""
        runs = {pump.name: self.runs(pump) for pump in self.pumps}
        available = {pump.name: self.available(pump) for pump in self.pumps}
        if None in runs.values() or None in available.values():
            return ()
        ready = [pump for pump in self.pumps if available[pump.name]]
        missing = min(self.least, len(ready)) - sum(1 for pump in ready if runs[pump.name])
        standing = [pump for pump in ready if not runs[pump.name]]
        if missing <= 0:
            return ()
        if missing >= len(standing):
            return tuple(standing)
        lead = [pump for pump in standing if pump.name == self.next_lead]
        return tuple(lead)

    def _called_by(self) -> str:
        roles = [role for role in ("high", "start_2", "start_1") if self.made(role)]
        return role_words(roles[0]) if roles else "start-1"

    def _tell_start(self, pump: CalledPump) -> str:
        return diagnosis(
            f"{pump.title} was called by the {self._called_by()} float and was there to be called, "
            "but its run contact did not make",
            f"A called pump runs within {duration(self._start_within_s)}",
            "its contactor, control fuse and run contact; the other pump has to do its work",
            PUMP[:1],
        )  # fmt: skip

    def _tell_uncalled(self, pump: CalledPump) -> str:
        return diagnosis(
            f"{pump.title} runs in auto although the floats call "
            + ("no pump" if self.most == 0 else f"only {self.most}"),
            "A pump starts when a start float makes; this one will not stop by the stop float and "
            "may run dry",
            "its contactor (welded, stuck) and a local switch that bypasses the panel", PUMP[:1],
        )  # fmt: skip

    def _tell_stop(self, pump: CalledPump) -> str:
        auto = True if pump.auto is None else self._contacts.made(pump.auto)
        why = "its contactor (welded, stuck)" if auto else "its selector, which is not in auto"
        return diagnosis(
            f"{pump.title} still runs although the {role_words(self.stop_role)} float has opened",
            f"Pumps stop within {duration(STOP_WITHIN_S)} of that; it runs towards dry", why,
            PUMP[:1],
        )  # fmt: skip

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "least": self.least, "most": self.most, "next_lead": self.next_lead,
            "uncalled": dict(self._uncalled), "covered": dict(self._covered),
            "started_last": self._started_last,
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``."""
        if not isinstance(saved, dict):
            raise ValueError("the saved calls are of another form")
        names = {pump.name for pump in self.pumps}
        self.least, self.most = saved["least"], saved["most"]
        self.next_lead = saved["next_lead"] if saved["next_lead"] in names else None
        self._uncalled = {name: True for name in saved["uncalled"] if name in names}
        self._covered = {name: True for name in saved["covered"] if name in names}
        self._started_last = saved["started_last"]
