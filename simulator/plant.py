"""Osier Bend holiday park (invented): a treatment works, an outlying lift sump and a towed tank.

Guests' sewage comes to the works' collection tank by gravity, from the Lower Meadow lift sump by
its rising main, and from the far field by the towed tank. Two pumps lift it into the equalization
tank, two feed pumps send it through the biological stage, the clarifier and the cloth filter to the
contact tank.

The plant has its own time and no other: it stands still until ``advance_to``. Everything random
comes from the seed, so a run repeats to the byte, in however many steps it is made.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

from simulator.bowser import Bowser
from simulator.demand import Catchment, Weather
from simulator.dosing import Chemistry, DayTank
from simulator.faults import parse_fault, parse_script
from simulator.filtering import ClothFilter
from simulator.hydraulics import PumpSet
from simulator.maps import register_maps
from simulator.panel import Panel
from simulator.pumping import LeadLag, Motor, PumpStation
from simulator.schedule import HOUR_US, MINUTE_US, SECOND_US, Schedule
from simulator.shown import show_figures
from simulator.site import (
    BOWSER_CURVE,
    BOWSER_MAIN,
    BOWSER_SHAPE,
    CATCHMENTS,
    COLLECTION_CURVE,
    COLLECTION_MAIN,
    FEED_CURVE,
    FEED_MAIN,
    MEADOW_CURVE,
    MEADOW_MAIN,
)
from simulator.supply import Supply
from simulator.treatment import Aeration, Clarifier, SludgeStore
from simulator.trouble import Places, Trouble
from simulator.truth import Truth
from simulator.wells import FloatSwitch, Shape, Well

TIME_ZONE = ZoneInfo("Europe/London")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
WORKS_BATTERY_US = 12 * MINUTE_US


class OsierBend:
    """The simulated plant.

    Args:
        seed: of everything random.
        start_utc_us: first instant, microseconds since 1970 UTC.
        script: text of a fault script (see ``faults.py``), or None.
        script_name: its file name, for messages.
        intervals_kept: how many finished runs per machine the truth keeps.
        days_of_season: by so many days the park's season is ahead of the calendar.

    Attributes:
        panels: ``works``, ``meadow`` and ``bowser``.

    Raises:
        BadScript: the script makes no sense.
    """

    def __init__(
        self, seed: int, start_utc_us: int, script: str | None = None, *,
        script_name: str = "script", intervals_kept: int = 0, days_of_season: int = 0,
    ) -> None:  # fmt: skip
        self._seed = seed
        self._days_of_season = days_of_season
        self.start_us = start_utc_us
        self._schedule = Schedule(start_utc_us)
        self._truth = Truth(seed, start_utc_us, start_utc_us, intervals_kept)
        self.panels: dict[str, Panel] = {
            name: Panel(name, register_map, self._schedule, phase_us)
            for (name, register_map), phase_us in zip(
                register_maps().items(), (3_217_411, 7_904_233, 5_550_127), strict=True
            )
        }
        self._floats: dict[str, FloatSwitch] = {}
        self._motors: dict[str, Motor] = {}
        self._stations: dict[str, PumpStation] = {}
        self._programs: dict[str, LeadLag] = {}
        self.wells: dict[str, Well] = {}
        self._offset_hour = -1
        self._offset_us = 0
        self._build_wells()
        self._build_works()
        self._build_supplies()
        show_figures(
            self.panels, self._motors, self.wells, self._chemistry, self._rng("level meters")
        )
        self._build_inflow()
        self.trouble = Trouble(self._places(), self._schedule, self._truth)
        for line in parse_script(script, script_name) if script else []:
            until_us = None if line.until_us is None else start_utc_us + line.until_us
            self.trouble.inject(line.fault, start_utc_us + line.at_us, until_us, line.place)
        for panel in self.panels.values():
            panel.update_figures()

    # --- time -----------------------------------------------------------------------------------

    @property
    def now_us(self) -> int:
        """The instant the plant stands at."""
        return self._schedule.now_us

    def advance_to(self, at_us: int) -> None:
        """Let time pass up to and including ``at_us``; an earlier instant changes nothing."""
        self._schedule.run_until(at_us)

    def next_change_us(self) -> int:
        """An instant before which no register and no reachability changes."""
        at_us = self._schedule.next_us()
        return self.now_us + HOUR_US if at_us is None else at_us

    def advance_until_change(self, limit_us: int) -> int:
        """Let time pass up to the next instant at which any panel's ``version`` moved, or to
        ``limit_us``; returns the instant reached.
        """
        schedule = self._schedule
        panels = tuple(self.panels.values())
        before = sum(panel.version for panel in panels)
        while True:
            at_us = schedule.next_us()
            if at_us is None or at_us > limit_us:
                schedule.run_until(limit_us)
                return limit_us
            schedule.run_until(at_us)
            if sum(panel.version for panel in panels) != before:
                return at_us

    def inject(
        self, fault: str, target: str, at_us: int, until_us: int | None = None, *extras: str
    ) -> None:
        """Put a fault in.

        Args:
            fault: a name from ``faults.FAULTS``.
            target: the float (``collection.high``), equipment or panel it is put on.
            at_us, until_us: instants UTC; ``until_us`` None for ever.
            extras: words and options as in a script (``made``, ``to=0.6``).

        Raises:
            BadScript: it makes no sense.
        """
        words = [(extra, "fault") for extra in extras]
        self.trouble.inject(parse_fault(fault, target, words, "fault"), at_us, until_us)

    @property
    def truth(self) -> Truth:
        """What really happened up to now."""
        truth = self._truth
        truth.now_us = self.now_us
        for name, well in self.wells.items():
            truth.wells[name] = well.truth_now()
            truth.levels_m[name] = well.level_m()
            truth.stored_m3[name] = well.stored_m3()
        filtered_m3, wash_m3 = self._filter.volumes_now()
        truth.volumes_m3 = {
            "filtered": filtered_m3,
            "wash_water": wash_m3,
            "effluent": filtered_m3 - wash_m3,
            "sludge_hauled": self._sludge.hauled_m3,
            "far_field_waiting": self._bowser.waiting_m3,
        }
        truth.chemicals_l = {name: tank.used_l for name, tank in self._tanks.items()}
        truth.strokes = {"hypochlorite": self._chemistry.strokes}
        truth.cleanings = self._filter.cleanings
        truth.bowser_dockings = self._bowser.dockings
        return truth

    def poured_l(self) -> dict[str, float]:
        """What people filled into the day tanks since the start, in L."""
        return {name: tank.poured_l for name, tank in self._tanks.items()}

    # --- building -------------------------------------------------------------------------------

    def _rng(self, name: str) -> Random:
        return Random(f"{self._seed}/{name}")

    def _motor(
        self, name: str, panel: str, signal: str, wear: float = 1.0, rated_a: float = 0.0,
        run_word: str = "run",
    ) -> Motor:  # fmt: skip
        motor = Motor(
            name, signal, self._schedule, self.panels[panel], self._truth.machine(name),
            self._rng(name), wear=wear, rated_a=rated_a, run_word=run_word,
        )  # fmt: skip
        self._motors[name] = motor
        return motor

    def _well(
        self, name: str, panel: str, prefix: str, shape: Shape, level_m: float, intake_m: float,
        overflow_m: float, heights: dict[str, tuple[float, float]],
    ) -> Well:  # fmt: skip
        floats = {}
        for role, (makes_m, breaks_m) in heights.items():
            key = f"{name}.{role}"
            floats[role] = self._floats[key] = FloatSwitch(
                key, f"{prefix}{role}", makes_m, breaks_m, self._schedule, self.panels[panel],
                self._rng(key),
            )  # fmt: skip
        well = Well(name, self._schedule, shape, level_m, intake_m, overflow_m, floats)
        self.wells[name] = well
        return well

    def _station(
        self, well: Well, pumps: list[Motor], pump_set: PumpSet, into: Well | None
    ) -> None:
        if into is None:
            station = PumpStation(well, pumps, pump_set, lambda _flow: None)
        else:
            source = into.add_source()
            station = PumpStation(well, pumps, pump_set, lambda q: into.set_source(source, q))
        self._stations[well.name] = station
        self._programs[well.name] = LeadLag(
            self._schedule, well.floats, pumps, self._rng(f"{well.name} program")
        )

    def _build_wells(self) -> None:
        equalization = self._well(
            "equalization", "works", "equalization_", Shape.prism(12.0), 0.946, 0.15, 2.90,
            {"low": (0.55, 0.50), "start_1": (0.95, 0.90), "start_2": (1.80, 1.75),
             "high": (2.55, 2.50)},
        )  # fmt: skip
        collection = self._well(
            "collection", "works", "collection_", Shape.prism(3.0), 0.942, 0.12, 1.90,
            {"low": (0.42, 0.36), "start_1": (0.95, 0.87), "start_2": (1.25, 1.17),
             "high": (1.60, 1.52)},
        )  # fmt: skip
        meadow = self._well(
            "meadow_sump", "meadow", "", Shape.prism(1.13), 0.792, 0.10, 1.80,
            {"start_1": (0.80, 0.40), "start_2": (1.10, 1.02), "high": (1.40, 1.32)},
        )  # fmt: skip
        tank = self._well(
            "bowser_tank", "bowser", "", BOWSER_SHAPE, 0.35, 0.05, 1.20,
            {"low": (0.12, 0.08), "start_1": (0.30, 0.24), "high": (1.05, 1.0)},
        )  # fmt: skip
        feed = [
            self._motor("feed_pump_1", "works", "feed_pump_1", 0.98, 3.4),
            self._motor("feed_pump_2", "works", "feed_pump_2", 0.94, 3.4),
        ]
        lift = [
            self._motor("collection_pump_1", "works", "collection_pump_1", 0.97, 6.1),
            self._motor("collection_pump_2", "works", "collection_pump_2", 0.92, 6.1),
        ]
        outlying = [
            self._motor("meadow_pump_1", "meadow", "pump_1", 1.0, 5.2),
            self._motor("meadow_pump_2", "meadow", "pump_2", 0.95, 5.2),
        ]
        towed = [self._motor("bowser_pump", "bowser", "pump", 0.96, 4.0)]
        self._station(equalization, feed, PumpSet(FEED_CURVE, FEED_MAIN), None)
        self._station(collection, lift, PumpSet(COLLECTION_CURVE, COLLECTION_MAIN), equalization)
        self._station(meadow, outlying, PumpSet(MEADOW_CURVE, MEADOW_MAIN), collection)
        self._station(tank, towed, PumpSet(BOWSER_CURVE, BOWSER_MAIN), collection)
        self._bowser = Bowser(
            self._schedule, self.panels["bowser"], tank, towed[0], self._programs["bowser_tank"],
            self._rng("bowser"),
        )  # fmt: skip

    def _build_works(self) -> None:
        works = self.panels["works"]
        self._aeration = Aeration(
            self._schedule,
            [self._motor(f"blower_{k}", "works", f"blower_{k}", rated_a=11.5) for k in (1, 2)],
        )
        self._mixer = self._motor("mixer", "works", "mixer", rated_a=2.0)
        self._sludge = SludgeStore(works, self._schedule, 6.0)
        self._clarifier = Clarifier(0.4)
        wash = self.wells["equalization"].add_source()
        self._filter = ClothFilter(
            self._schedule, works, self._motor("filter", "works", "filter", run_word="cleaning"),
            lambda q: self.wells["equalization"].set_source(wash, q), self._rng("filter"), 0.4,
        )  # fmt: skip
        self._coagulant_pump = self._motor("coagulant", "works", "coagulant")
        self._tanks = {
            "coagulant": DayTank(works, "coagulant_tank_low", 62.0, 100.0, 15.0),
            "hypochlorite": DayTank(works, "hypochlorite_tank_low", 24.0, 60.0, 8.0),
        }
        self._chemistry = Chemistry(
            self._tanks["coagulant"], self._tanks["hypochlorite"], self._rng("chemistry")
        )
        for name in ("feed_pump_1", "feed_pump_2"):
            self._motors[name].changed = self._feed_moved
        self._coagulant_run_us = 0
        self._fed_m3 = 0.0

    def _feed_moved(self) -> None:
        """The coagulant pump runs while any feed pump does."""
        self.wells["equalization"].refresh()
        feeding = self._motors["feed_pump_1"].running or self._motors["feed_pump_2"].running
        self._coagulant_pump.call(wanted=feeding)

    def _build_supplies(self) -> None:
        works_motors = [
            self._motors[name]
            for name in (
                "collection_pump_1", "collection_pump_2", "feed_pump_1", "feed_pump_2",
                "blower_1", "blower_2", "mixer", "filter", "coagulant",
            )
        ]  # fmt: skip
        meadow_motors = [self._motors["meadow_pump_1"], self._motors["meadow_pump_2"]]
        self._supplies = {
            "works": Supply(
                self._schedule, self.panels["works"], works_motors, WORKS_BATTERY_US,
                lambda: None,
            ),
            "meadow": Supply(
                self._schedule, self.panels["meadow"], meadow_motors, 0, lambda: None
            ),
        }  # fmt: skip

    def _places(self) -> Places:
        pumps = {name: motor for name, motor in self._motors.items() if "pump" in name}
        return Places(
            floats=self._floats, pumps=pumps, motors=self._motors, stations=self._stations,
            panels=self.panels, supplies=self._supplies, tanks=self._tanks,
            filters={"filter": self._filter},
        )  # fmt: skip

    # --- what comes minute by minute ------------------------------------------------------------

    def _build_inflow(self) -> None:
        self._weather = Weather(self._rng("weather"))
        self._catchments = {
            name: Catchment(facts, self._rng(f"{name} catchment"))
            for name, facts in CATCHMENTS.items()
        }
        self._works_source = self.wells["collection"].add_source()
        self._meadow_source = self.wells["meadow_sump"].add_source()
        self._hour_rain_mm = 0.0
        self._hour_begin_us = self.start_us
        self._minute_timer = self._schedule.timer(self._minute)
        self._hour_timer = self._schedule.timer(self._hour)
        self._hour_timer.set((self.start_us // HOUR_US + 1) * HOUR_US)
        self._minute_timer.set(self.start_us)

    def _local_us(self) -> int:
        """Local time as if it were UTC; the zone's offset only moves on full hours of UTC."""
        hour = self.now_us // HOUR_US
        if hour != self._offset_hour:
            self._offset_hour = hour
            offset = (EPOCH + timedelta(microseconds=self.now_us)).astimezone(TIME_ZONE).utcoffset()
            self._offset_us = 0 if offset is None else int(offset.total_seconds()) * SECOND_US
            local = EPOCH + timedelta(microseconds=self.now_us + self._offset_us)
            self._weekday = local.weekday()
            self._day_of_year = (local.timetuple().tm_yday + self._days_of_season) % 366
        return self.now_us + self._offset_us

    def _minute(self) -> None:
        self._minute_timer.set_in(MINUTE_US)
        minute_of_day = self._local_us() // MINUTE_US % 1440
        day = (minute_of_day, self._weekday, self._day_of_year)
        self._weather.step()
        rain_mm = self._weather.rain_mm_per_h / 60.0
        self._truth.rain_mm += rain_mm
        self._hour_rain_mm += rain_mm
        flows = {
            name: catchment.step(*day, self._weather)
            for name, catchment in self._catchments.items()
        }
        self.wells["collection"].set_source(self._works_source, flows["works"])
        self.wells["meadow_sump"].set_source(self._meadow_source, flows["meadow"])
        self._bowser.minute(minute_of_day, flows["field"])
        if self.now_us > self.start_us:
            self._book_minute()
        self._run_works(minute_of_day)

    def _book_minute(self) -> None:
        """What was fed in the minute behind goes through the works."""
        equalization = self.wells["equalization"]
        equalization.settle()
        fed_m3 = equalization.truth.pumped_m3 - self._fed_m3
        self._fed_m3 = equalization.truth.pumped_m3
        run_us = self._coagulant_pump.truth.run_us(self.now_us)
        coagulant_s = (run_us - self._coagulant_run_us) * 1e-6
        self._coagulant_run_us = run_us
        self._chemistry.step(
            self._filter.flow_l_s,
            coagulant_s,
            self._clarifier.carry_over,
            powered=self._supplies["works"].present,
        )
        self._clarifier.step(fed_m3 * 1000.0, has_air=self._aeration.has_air)

    def _run_works(self, minute_of_day: int) -> None:
        """What the panel's clock does, and the flow of the coming minute."""
        solids = self._chemistry.solids_g_per_l + 0.015 * self._clarifier.carry_over
        self._filter.step(self._clarifier.outflow_l_s, solids)
        for tank in self._tanks.values():
            tank.minute(minute_of_day)
        if self._supplies["works"].present:
            self._aeration.minute(minute_of_day)
            self._sludge.minute(minute_of_day, self._weekday, has_air=self._aeration.has_air)
            self._mixer.call(wanted=minute_of_day % 60 < 45)

    def _hour(self) -> None:
        self._hour_timer.set_in(HOUR_US)
        for well in self.wells.values():
            well.settle()
            well.truth.close_hour(self.now_us, well.level_m())
        self._truth.rain_hours.append((self._hour_begin_us, self._hour_rain_mm))
        self._hour_begin_us = self.now_us
        self._hour_rain_mm = 0.0
