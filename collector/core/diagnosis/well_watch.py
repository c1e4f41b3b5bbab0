"""The floats and pumps of one well, and what is wrong with them.

The parts judge, this brings them what happens. Floats that cannot be believed make everything that
rests on them unknown, so that one cause is one finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch
from collector.core.diagnosis.float_faults import FloatFaults
from collector.core.diagnosis.float_order import FloatOrder
from collector.core.diagnosis.limits import (
    CHATTER_ENDS_S,
    CHATTER_WINDOW_S,
    HIGH_WATER_S,
)
from collector.core.diagnosis.pump_calls import CalledPump, PumpCalls
from collector.core.diagnosis.reckoning import Reckoning
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.start_rates import StartRates
from collector.core.diagnosis.turns import Turns
from collector.core.diagnosis.wording import WELL, diagnosis, duration
from collector.core.process.contacts import Moved
from collector.core.records import Output, PointChanged, Quality
from collector.core.wells.well_flow import WellFlow
from collector.plant.equipment import Well


class WellWatch(ContactWatch):
    """One well.

    Args:
        name, well: in the plant file.
        pumps: in the order in which they take turns.
        limits: starts per hour each pump may make, where the file says so.
        alternating: whether the lead is to change.
        visits: its panel is only there at times.
        flows: its estimates, or None.
        upstream: those of the wells whose pumps lift into it.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, name: str, well: Well, pumps: Sequence[CalledPump], limits: dict[str, float],
        sure_us: int, *, alternating: bool, visits: bool, flows: WellFlow | None,
        upstream: Sequence[WellFlow] = (),
    ) -> None:  # fmt: skip
        floats = well.floats.by_role()
        contacts = [switch.point for _, switch in floats]
        for pump in pumps:
            contacts += [p for p in (pump.run, pump.fault, pump.auto, pump.mains) if p]
        super().__init__(f"{name}.watch", contacts, sure_us)
        self._well, self._title = name, well.title
        self._overflow_m = well.overflow_m
        self._level = well.level
        if well.level is not None:
            self.points = (*self.points, well.level)
        self._role_of = {switch.point: role for role, switch in floats}
        self._pump_of = {pump.run: pump for pump in pumps}
        self._visits = visits  # a towed tank comes full
        self._calls = PumpCalls(well.floats, pumps, self.contacts, visits=visits)
        self._turns = Turns(name, well.title, pumps, alternating=alternating)
        self._reckoning = Reckoning(flows, upstream)
        self._order = FloatOrder(name, well.title, floats, self._reckoning)
        self._faults = FloatFaults(
            name, well.title, floats, self._calls.stop_role, self._reckoning
        )  # fmt: skip
        self._starts = StartRates({pump.name: pump.title for pump in pumps}, limits)
        self._chattered_us = 0
        self._quiet_us: int | None = None  # when the chattering of now has paused

    # --- what happens ---------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        if change.point != self._level:
            found = super().point_changed(change)
            self._note()
            return found
        good = isinstance(change.value, float) and change.quality is not Quality.BAD
        self._faults.level_m = float(change.value or 0.0) if good else None
        self._reckoning.level_m = self._faults.level_m
        return self._take(change.by_us, change.by_us)

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        if self._level is not None and self._level.partition(".")[0] == panel:
            self._faults.level_m = self._reckoning.level_m = None
        found = super().lost(panel, reason, last_good_us, by_us)
        self._note()
        return found

    def returned(self, panel: str, by_us: int) -> list[Output]:
        found = super().returned(panel, by_us)
        self._note()
        return found

    def wake(self, at_us: int) -> list[Output]:
        if self._quiet_us is not None and at_us >= self._quiet_us:
            self._quiet_us = None
            self._calls.follow(doubted=self.doubted(at_us))
        return self._take(at_us, at_us)

    def _take(self, at_us: int, now_us: int) -> list[Output]:
        found = self.standing.take(self.claims(now_us), at_us, now_us)
        self._note()
        return found

    def _note(self) -> None:
        for role in self._role_of.values():
            stands = self.standing.stands(f"{self._well}.float_{role}_out_of_order")
            self._order.note_standing(role, stands=stands)

    def moved(self, point: str, move: Moved, change: PointChanged) -> None:
        if point in self._role_of:
            self._float_moved(self._role_of[point], move, change)
        elif point in self._pump_of:
            self._run_moved(self._pump_of[point], move, change)
        elif move.made is not True or move.before is not True:
            self._turns.interrupt()  # a pump went out of service, or came back
        self._calls.follow(doubted=self.doubted(change.by_us))

    def _float_moved(self, role: str, move: Moved, change: PointChanged) -> None:
        if move.before is None or move.made is None:
            self._order.seen(self._shown(), change.by_us)
            self._reckoning.lose()
            return
        self._faults.moved(role, move.at_us)
        if self._faults.chatters(role, change.by_us):
            self._chattered_us = change.by_us
            self._quiet_us = change.by_us + round(CHATTER_WINDOW_S * 1e6) + 1
        if self._chattered(change.by_us):
            self._order.pause()
        else:
            self._order.moved(
                role, self._shown(), change.after_us, move.at_us, change.by_us,
                pumping=self._pumping() is True,
            )  # fmt: skip
        if role in ("start_2", "high") and move.made:
            self._turns.called_lag()

    def _run_moved(self, pump: CalledPump, move: Moved, change: PointChanged) -> None:
        self._reckoning.run_moved(pump.name, move.made, move.at_us)
        self._faults.pumping(self._pumping(), move.at_us)
        if move.made is None:
            self._turns.forget_running()
        elif move.made:
            seen = move.before is False
            if seen:
                self._starts.started(pump.name, move.at_us)
                self._calls.started(pump.name)
            lag = self._calls.made("start_2") is True or self._calls.made("high") is True
            self._turns.started(pump.name, change.by_us, seen=seen, lag_called=lag)
        else:
            next_lead = self._turns.stopped(pump.name)
            if next_lead is not None:
                self._calls.next_lead = next_lead

    def hidden(self, last_good_us: int, panel: str) -> None:
        self._order.seen(self._shown(), last_good_us)
        self._faults.interrupt()
        self._reckoning.lose()
        self._turns.forget_running()
        self._calls.forget()
        self._starts.clear()

    def found(self, now_us: int, panel: str) -> None:
        self._order.seen(self._shown(), now_us)
        self._faults.pumping(self._pumping(), now_us)
        for pump in self._pump_of.values():
            runs = self._calls.runs(pump)
            self._reckoning.run_moved(pump.name, runs, now_us)
            if runs:
                self._turns.started(pump.name, now_us, seen=False, lag_called=False)
        self._calls.follow(doubted=self.doubted(now_us))

    # --- what is known --------------------------------------------------------------------------

    def _shown(self) -> dict[str, bool | None]:
        return {role: self.contacts.made(point) for point, role in self._role_of.items()}

    def _pumping(self) -> bool | None:
        runs = [self.contacts.made(point) for point in self._pump_of]
        return True if True in runs else None if None in runs else False

    def _chattered(self, now_us: int) -> bool:
        """Whether a float chatters or has of late."""
        return self._chattered_us > 0 and now_us - self._chattered_us < CHATTER_ENDS_S * 1e6

    def doubted(self, now_us: int) -> bool:
        """Whether what the floats say cannot be believed."""
        return (
            self._order.doubted
            or self._chattered(now_us)
            or self.standing.stands(f"{self._well}.not_emptied")
            or any(
                self.standing.stands(f"{self._well}.float_{role}_against_level")
                for role in self._role_of.values()
            )
        )

    def deadline_us(self) -> int | None:
        found = [at for at in (self.standing.deadline_us(), self._quiet_us) if at is not None]
        return min(found, default=None)

    def claims(self, now_us: int) -> list[Claim]:
        doubted = self.doubted(now_us)
        said = {
            role
            for role in self._role_of.values()
            if self.standing.stands(f"{self._well}.float_{role}_against_level")
        }
        found = self._order.claims(said, pumping=self._pumping() is True)
        suspected = {role for role in self._role_of.values() if self._order.suspects(role)} - said
        found += self._faults.claims(self._shown(), now_us, suspected)
        if self._calls.works:
            found += self._calls.claims(doubted=doubted)
            found += self._turn_claims(doubted)
            found += self._starts.claims(now_us, doubted=doubted)
        if "high" in self._role_of.values() and not self._visits:
            found.append(self._high_water(now_us))
        return found

    def _turn_claims(self, doubted: bool) -> list[Claim]:
        explained = doubted or any(
            self.standing.stands(f"{pump.name}.{what}")
            for pump in self._pump_of.values()
            for what in ("failed_to_start", "runs_uncalled", "failed_to_stop")
        )
        explained = explained or any(
            self._calls.available(pump) is not True for pump in self._pump_of.values()
        )
        if explained:
            self._turns.interrupt()
        return self._turns.claims()

    def _high_water(self, now_us: int) -> Claim:
        made = self._calls.made("high")
        wrong = self._order.suspects("high") or self._faults.chatters("high", now_us)
        return Claim(
            f"{self._well}.high_water", None if made and wrong else made, HIGH_WATER_S,
            partial(self._tell_high, now_us),
        )  # fmt: skip

    # --- telling --------------------------------------------------------------------------------

    def _tell_high(self, now_us: int) -> str:
        look = self._reckoning.look(now_us)
        running = sum(1 for point in self._pump_of if self.contacts.made(point))
        seen = f"{self._title}: water stands at the high float, {running} pump(s) running"
        since = ""
        if look is not None and self._overflow_m is not None:
            room_m3 = self._reckoning.volume_of(self._overflow_m) - look.volume_m3.value
            net = look.inflow_m3_s.value - look.outflow_m3_s.value
            if net > 0.0:
                since = f"At the present inflow it overflows in about {duration(room_m3 / net)}"
            else:
                since = "By the estimate the pumps are gaining on it"
        return diagnosis(
            seen, "", "whether the pumps run and move water, and where it would overflow to",
            (*WELL, "untreated sewage"), since,
        )  # fmt: skip

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        return {
            **super().save(),
            "calls": self._calls.save(),
            "turns": self._turns.save(),
            "reckoning": self._reckoning.save(),
            "order": self._order.save(),
            "faults": self._faults.save(),
            "starts": self._starts.save(),
            "chattered_us": self._chattered_us,
            "quiet_us": self._quiet_us,
        }

    def restore(self, saved: Saved) -> None:
        super().restore(saved)
        try:
            self._calls.restore(saved["calls"])
            self._turns.restore(saved["turns"])
            self._reckoning.restore(saved["reckoning"])
            self._order.restore(saved["order"])
            self._faults.restore(saved["faults"])
            self._starts.restore(saved["starts"])
            chattered_us, quiet_us = saved["chattered_us"], saved["quiet_us"]
        except KeyError as missing:
            raise ValueError(f"the saved state of {self.name} lacks {missing}") from None
        if not isinstance(chattered_us, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._chattered_us = chattered_us
        self._quiet_us = quiet_us if isinstance(quiet_us, int) else None
