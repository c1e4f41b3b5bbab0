"""Puts faults into the simulated plant and takes them out again."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from simulator.dosing import DayTank
from simulator.faults import FAULTS, BadScript, Fault, nearest
from simulator.filtering import ClothFilter
from simulator.panel import Panel
from simulator.pumping import Motor, PumpStation
from simulator.schedule import Schedule
from simulator.supply import Supply
from simulator.truth import FaultTruth, Truth
from simulator.wells import FloatSwitch


@dataclass(frozen=True, slots=True)
class Places:
    """Everything a fault can be put on, by name."""

    floats: Mapping[str, FloatSwitch]
    pumps: Mapping[str, Motor]
    motors: Mapping[str, Motor]
    stations: Mapping[str, PumpStation]
    panels: Mapping[str, Panel]
    supplies: Mapping[str, Supply]
    tanks: Mapping[str, DayTank]
    filters: Mapping[str, ClothFilter]

    def of(self, on: str) -> Mapping[str, object]:
        """The places for one kind of fault."""
        table: dict[str, Mapping[str, object]] = {
            "float": self.floats,
            "pump": self.pumps,
            "motor": self.motors,
            "well": self.stations,
            "panel": self.panels,
            "mains": self.supplies,
            "dosing_tank": self.tanks,
            "filter": self.filters,
        }
        return table[on]


@dataclass(slots=True)
class Trouble:
    """All faults of one plant.

    Args:
        places: what they can be put on.
        schedule: the plant's time.
        truth: where they are noted.
    """

    places: Places
    schedule: Schedule
    truth: Truth
    _planned: list[tuple[Fault, int, int | None]] = field(default_factory=list)

    def inject(self, fault: Fault, at_us: int, until_us: int | None, place: str = "fault") -> None:
        """Plan a fault.

        Args:
            fault: what and where.
            at_us, until_us: instants in microseconds UTC; ``until_us`` None for ever.
            place: begins the message of a refusal.

        Raises:
            BadScript: an unknown place, a time in the past, an end before the begin, or the same
                fault twice on one place at one time.
        """
        kind = FAULTS[fault.kind]
        names = self.places.of(kind.on)
        if fault.target not in names:
            raise BadScript(
                f"{place}: found '{fault.target}' for {fault.kind}, expected one of "
                f"{', '.join(names)}{nearest(fault.target, names)}"
            )
        if at_us < self.schedule.now_us:
            raise BadScript(f"{place}: found a begin that has passed, expected one still to come")
        if until_us is not None and until_us <= at_us:
            raise BadScript(f"{place}: found an end not after the begin, expected a longer fault")
        self._planned = [
            planned
            for planned in self._planned
            if planned[2] is None or planned[2] >= self.schedule.now_us
        ]
        for other, other_at, other_until in self._planned:
            same = (other.kind, other.target) == (fault.kind, fault.target)
            if (
                same
                and (other_until is None or at_us < other_until)
                and (until_us is None or other_at < until_us)
            ):
                raise BadScript(
                    f"{place}: found {fault.kind} on {fault.target} while it is already there, "
                    "expected the first to have ended"
                )
        self._planned.append((fault, at_us, until_us))
        self._set_timers(fault, at_us, until_us)

    def _set_timers(self, fault: Fault, at_us: int, until_us: int | None) -> None:
        record = FaultTruth(fault.kind, fault.target, at_us)

        def begin() -> None:
            self.truth.faults.append(record)
            self._act(fault, on=True)

        def end() -> None:
            record.end_us = until_us
            self._act(fault, on=False)

        self.schedule.timer(begin).set(at_us)
        if until_us is not None:
            self.schedule.timer(end).set(until_us)

    def _act(self, fault: Fault, *, on: bool) -> None:
        groups: dict[str, Callable[[Fault, bool], None]] = {
            "float": self._act_on_float,
            "pump": self._act_on_pump,
            "motor": self._act_on_motor,
            "well": self._act_on_well,
            "panel": self._act_on_panel,
            "mains": self._act_on_mains,
            "dosing_tank": self._act_on_tank,
            "filter": self._act_on_filter,
        }
        groups[FAULTS[fault.kind].on](fault, on)

    def _act_on_float(self, fault: Fault, on: bool) -> None:
        each = self.places.floats[fault.target]
        if fault.kind == "float_stuck":
            held = {"made": True, "open": False}.get(fault.word, each.contact)
            each.stick(at=held if on else None)
        elif fault.kind == "float_inverted":
            each.invert(inverted=on)
        else:
            each.chatter(on=on)

    def _act_on_pump(self, fault: Fault, on: bool) -> None:
        pump = self.places.pumps[fault.target]
        share = fault.options["to"] if on else 1.0
        if fault.kind == "pump_worn":
            pump.worn_to = share
        else:
            pump.blockage = share
        if pump.changed is not None:
            pump.changed()

    def _act_on_motor(self, fault: Fault, on: bool) -> None:
        motor = self.places.motors[fault.target]
        if fault.kind == "tripped":
            motor.tripped = on
        elif fault.kind == "fails_to_start":
            motor.fails_to_start = on
        elif fault.kind == "contactor_welded":
            motor.welded = on
        elif fault.kind == "left_in_hand":
            motor.selector = "hand" if on else "auto"
        else:
            motor.selector = "off" if on else "auto"
        motor.state_changed()

    def _act_on_well(self, fault: Fault, on: bool) -> None:
        station = self.places.stations[fault.target]
        station.well.settle()
        station.check_valve_leaks = on
        station.well.refresh()

    def _act_on_panel(self, fault: Fault, on: bool) -> None:
        panel = self.places.panels[fault.target]
        if fault.kind == "panel_frozen":
            panel.set_frozen(frozen=on)
        elif fault.kind == "replies_slow":
            panel.reply_delay_s = fault.options["seconds"] if on else 0.0
        elif fault.kind == "replies_garbled":
            panel.garbled = on
        elif fault.kind == "link_silent":
            panel.silent = on
        else:
            panel.link_dead = on
        panel.note_change()

    def _act_on_mains(self, fault: Fault, on: bool) -> None:
        supply = self.places.supplies[fault.target]
        if on:
            supply.fail()
        else:
            supply.restore()

    def _act_on_tank(self, fault: Fault, on: bool) -> None:
        self.places.tanks[fault.target].set_empty(empty=on)

    def _act_on_filter(self, fault: Fault, on: bool) -> None:
        self.places.filters[fault.target].endless = on
