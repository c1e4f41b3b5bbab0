"""Inflow, level, pump flows and volumes of one well, told from its floats and run contacts.

The figures come from the recursive estimator (``estimator.py``). They are told when a pump stops
and at the engine's regular report, not at every crossing, and only where they have moved.

Bounds are two standard errors either side. Volumes add to the upper bound the most the pumps can
have moved in time of which nobody knows what ran. Where pumps of another well lift into this one
(``empties_into`` there), their run contacts and that well's estimate tell what they send.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import hypot, sqrt
from typing import cast

from collector.core.component import Reading, Saved
from collector.core.records import AWAY, Derived, Output, PointChanged, Quality
from collector.core.wells.estimator import Estimator, Plain
from collector.core.wells.facts import MODEL_SHARE, Figure, facts_of
from collector.core.wells.geometry import Geometry
from collector.core.wells.look import Look
from collector.core.wells.pumping import PumpFlows
from collector.core.wells.sources import UNWATCHED_SHARE, Source
from collector.plant.equipment import Well

BOUND = 2.0
"""Standard errors from an estimate to its bounds."""

INFLOW_TOLD_SHARE = 0.1
LEVEL_TOLD_SHARE = 0.1
VOLUME_TOLD_SHARE = 0.5
TIME_TOLD_SHARE = 0.3
"""A figure is told again when it has moved so far and by half its standard error: shares of
itself, of the working height and of the working volume."""

SETTLED = 0.5
"""Relative standard error above which a pump's flow is no estimate yet."""

LONGEST_TIME_S = 30 * 86_400.0
UNKNOWN_TIME = "unknown time"
HOW_UNKNOWN = "how a pump runs is not known"
NOT_SETTLED = "too little seen yet"
MAY_HAVE_SPILLED = "may have gone over the edge unseen"


class WellFlow:
    """The flows of one well.

    Args:
        well_name, well: from the plant file.
        geometry: of the well.
        pumps: what its pumps give.
        run_points: run contact of each pump, in the order of ``pumps.names``.
        start_us: plant time at which watching begins.
        upstream: what is known to send water into this one.
        speeds: by point that tells a speed: which pump's, and its value at full speed.

    Attributes:
        telling: whether it tells its figures when a pump stops. Whoever only asks for them need not
            have them worked out; extremes then are those of the regular reports alone.
    """

    def __init__(
        self, well_name: str, well: Well, geometry: Geometry, pumps: PumpFlows,
        run_points: Sequence[str], start_us: int, upstream: Sequence[Source] = (),
        speeds: Mapping[str, tuple[int, float]] | None = None,
    ) -> None:  # fmt: skip
        self.well = well_name
        self.name = f"{well_name}.flows"
        self._floats = {switch.point: role for role, switch in well.floats.by_role()}
        self.sending_points = tuple(run_points)
        self._runs = {point: k for k, point in enumerate(run_points)}
        self._level = well.level
        self._speeds = dict(speeds or {})
        self._upstream = tuple(upstream)
        self._sent = {point for above in upstream for point in above.sending_points}
        mine = [*self._floats, *self._runs, *self._speeds, *([well.level] if well.level else [])]
        self.points = (*mine, *sorted(self._sent))
        self.estimator = Estimator(facts_of(well, geometry), pumps, start_us)
        self._pumps = pumps
        self._geometry = geometry
        low_m, high_m = self.estimator.facts.working_m
        self._level_step_m = LEVEL_TOLD_SHARE * (high_m - low_m)
        for pump, _ in self._speeds.values():
            self.estimator.speed_changed(pump, None, start_us, start_us)
        self._edge_m3 = None if well.overflow_m is None else geometry.volume_m3(well.overflow_m)
        high = well.floats.high
        self._high_m3 = None if high is None else geometry.volume_m3(high.makes_at_m)
        # What each contact showed when last known; None: never.
        self._shown: dict[str, bool | None] = dict.fromkeys([*self._floats, *self._runs])
        self._share: dict[str, float] = {}  # of full speed, as each speed point last told
        self._bad: set[str] = set()
        self._lost = {point.partition(".")[0] for point in self.points}
        self._away: set[str] = set()
        self.telling = True
        self._told: dict[str, float] = {}
        self._extremes: dict[str, tuple[float, float]] = {}

    # --- inputs ---------------------------------------------------------------------------------

    def point_changed(self, change: PointChanged) -> list[Output]:
        point = change.point
        if point in self._sent and point not in self._runs:
            for above in self._upstream:
                above.hear(change)
            return self._hear_upstream((change.after_us + change.by_us) // 2)
        if point == self._level:
            if isinstance(change.value, float) and change.quality is not Quality.BAD:
                self.estimator.level_read(change.value, change.after_us, change.by_us)
            return []
        if change.value is None or change.quality is Quality.BAD:
            return self._lose_point(point, change)
        if point in self._speeds:
            pump, full = self._speeds[point]
            share = max(0.0, float(change.value) / full)
            self._share[point] = share
            self._bad.discard(point)
            self.estimator.speed_changed(pump, share, change.after_us, change.by_us)
            return []
        was_bad = point in self._bad
        self._bad.discard(point)
        made, before = bool(change.value), self._shown[point]
        self._shown[point] = made
        if point in self._floats:
            if before is None or was_bad:
                self.estimator.float_seen(self._floats[point], made)
            elif made != before:
                self.estimator.float_moved(self._floats[point], made, change.after_us, change.by_us)
            return []
        after_us = change.by_us if was_bad else change.after_us
        self.estimator.pump_moved(self._runs[point], made, after_us, change.by_us)
        if not self.estimator.known:
            self._maybe_find(change.by_us)
        elif before and not made and not was_bad:
            return self._tell_stop(self._runs[point], change.by_us)
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        self._lost.add(panel)
        (self._away.add if reason == AWAY else self._away.discard)(panel)
        for point, role in self._floats.items():
            if _is_of(point, panel):
                self.estimator.float_seen(role, None)
        if any(_is_of(point, panel) for point in self._sent):
            self._hear_upstream(last_good_us)
        for point, (pump, _) in self._speeds.items():
            if _is_of(point, panel):
                self.estimator.speed_changed(pump, None, last_good_us, last_good_us)
        gone = [point for point in self._runs if _is_of(point, panel)]
        return self._lose(gone, last_good_us, by_us, reason)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        self._lost.discard(panel)
        self._away.discard(panel)
        for point, role in self._floats.items():
            if _is_of(point, panel) and point not in self._bad:
                self.estimator.float_seen(role, self._shown[point])
        for point, (pump, _) in self._speeds.items():
            if _is_of(point, panel) and point not in self._bad:
                self.estimator.speed_changed(pump, self._share.get(point), by_us, by_us)
        for point, pump in self._runs.items():
            if _is_of(point, panel) and self._is_known(point):
                self.estimator.pump_moved(pump, self._shown[point], by_us, by_us)
        self._maybe_find(by_us)
        if any(_is_of(point, panel) for point in self._sent):
            self._hear_upstream(by_us)
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        if not self.estimator.known:
            return []
        return self._tell(self.estimator.look(known_us), at_us)

    # --- what others ask ------------------------------------------------------------------------

    @property
    def pump_names(self) -> tuple[str, ...]:
        """Its pumps, in the order of all figures by pump."""
        return self._pumps.names

    def look(self, at_us: int) -> Look:
        """The whole estimate at an instant not before the last input."""
        return self.estimator.look(at_us)

    def volume_pumped_until(self, at_us: int) -> tuple[float, float, float]:
        """Volume pumped since watching began: m3, standard error in m3, and unknown time in s."""
        look = self.estimator.look(at_us)
        volume = look.pumped_total_m3
        return volume.value, hypot(volume.error, MODEL_SHARE * volume.value), _unknown_s(look)

    def volume_in_until(self, at_us: int) -> tuple[float, float, float]:
        """Volume that came in since watching began: m3, standard error, unknown time in s."""
        look = self.estimator.look(at_us)
        volume = look.inflow_total_m3
        return volume.value, hypot(volume.error, MODEL_SHARE * volume.value), _unknown_s(look)

    def readings(self, at_us: int) -> dict[str, Reading]:
        """Volumes for periods (``component.Counting``), by ``equipment.quantity``.

        Their bounds widen by two standard errors of the flow, and of what the model leaves out. The
        level is not exactly known at a boundary; that is the edge of the volume that came in.
        """
        look = self.estimator.look(at_us)

        def reading(
            figure: Figure, spread_m3: float, most_m3: float, edge_m3: float, pump: int = -1
        ) -> Reading:
            margin = BOUND * (spread_m3 + MODEL_SHARE * figure.value)
            value, unknown_us = figure.value, round(_unknown_s(look, pump) * 1e6)
            return Reading(value, value - margin, value + margin + most_m3, unknown_us, edge_m3)

        whole = (look.spread_total_m3, sum(look.unknown_most_m3))
        edge_m3 = BOUND * look.volume_m3.error
        found = {
            f"{self.well}.volume_pumped": reading(look.pumped_total_m3, *whole, 0.0),
            f"{self.well}.volume_in": reading(look.inflow_total_m3, *whole, edge_m3),
        }
        for i, name in enumerate(self._pumps.names):
            found[f"{name}.volume_pumped"] = reading(
                look.pumped_m3[i], look.spread_m3[i], look.unknown_most_m3[i], 0.0, i
            )
        return found

    def take_extremes(self, at_us: int) -> dict[str, tuple[float, float]]:
        """Least and greatest inflow and level told or looked at since last asked (``Ranging``)."""
        if self.estimator.known:
            self._note_extremes(self.estimator.look(at_us))
        found = {
            f"{self.well}.{quantity}": (low, high)
            for quantity, (low, high) in self._extremes.items()
        }
        self._extremes = {}
        return found

    def _note_extremes(self, look: Look) -> None:
        for quantity, figure in (("inflow", look.mean_inflow_m3_s), ("level", look.level_m)):
            low, high = self._extremes.get(quantity, (figure.value, figure.value))
            self._extremes[quantity] = (min(low, figure.value), max(high, figure.value))

    def inflow_at(self, at_us: int) -> Figure | None:
        """Inflow in m3/s (``Look.mean_inflow_m3_s``); None while nobody knows."""
        look = self.estimator.look(at_us)
        return look.mean_inflow_m3_s if look.known else None

    def hear(self, change: PointChanged) -> None:
        """Nothing: the engine tells it of its own points, and before those downstream."""

    def saved_state(self) -> bool | None:
        """Nothing: it is saved by itself."""
        return None

    def take_back(self, state: bool | None) -> None:
        """Nothing: it is restored by itself."""

    def outflow_at(self, at_us: int) -> Figure | None:
        """What the running pumps give together, m3/s; None while nobody knows."""
        look = self.estimator.look(at_us)
        return look.outflow_m3_s if look.known else None

    def sent_now(self, lost: set[str], away: set[str]) -> tuple[float, float]:
        """What its pumps send now; see ``sources.py``."""
        panels = {point.partition(".")[0] for point in self.sending_points}
        if panels & away:
            return 0.0, 0.0
        estimator = self.estimator
        if panels <= lost or not estimator.known:
            most = max(estimator.most_flows(), default=0.0)
            return 0.0, UNWATCHED_SHARE * most
        figure = estimator.summed(estimator.flows_mid_range(estimator.running))
        error = figure.error
        if True in estimator.doubtful:
            for most, doubtful in zip(estimator.most_flows(), estimator.doubtful, strict=True):
                error = hypot(error, UNWATCHED_SHARE * most if doubtful else 0.0)
        return figure.value, error

    # --- gaps -----------------------------------------------------------------------------------

    def _lose_point(self, point: str, change: PointChanged) -> list[Output]:
        self._bad.add(point)
        if point in self._floats:
            self.estimator.float_seen(self._floats[point], None)
            return []
        if point in self._speeds:
            pump, _ = self._speeds[point]
            self.estimator.speed_changed(pump, None, change.after_us, change.after_us)
            return []
        return self._lose([point], change.after_us, change.by_us, change.reason)

    def _lose(
        self, points: Sequence[str], last_good_us: int, by_us: int, reason: str
    ) -> list[Output]:
        """Run contacts are no longer known: if none is left, nothing is."""
        if not points or not self.estimator.known:
            return []
        if any(self._is_known(point) for point in self._runs):
            for point in points:
                self.estimator.pump_moved(self._runs[point], None, last_good_us, last_good_us)
            return []
        self.estimator.lose(last_good_us)
        self._told.clear()
        return [
            Derived(f"{self.well}.{quantity}", None, Quality.BAD, by_us, reason=reason)
            for quantity in ("inflow", "level")
        ]

    def _is_known(self, point: str) -> bool:
        """Whether it is known what a run contact shows."""
        return (
            self._shown[point] is not None
            and point not in self._bad
            and point.partition(".")[0] not in self._lost
        )

    def _maybe_find(self, at_us: int) -> None:
        """Know again, if any run contact is known."""
        if self.estimator.known or not any(self._is_known(point) for point in self._runs):
            return
        for point, pump in self._runs.items():
            runs = self._shown[point] if self._is_known(point) else None
            self.estimator.pump_moved(pump, runs, at_us, at_us)
        self.estimator.find(at_us)
        if self._sent:
            self._hear_upstream(at_us)

    def _hear_upstream(self, at_us: int) -> list[Output]:
        flow = variance = 0.0
        for above in self._upstream:
            sent, error = above.sent_now(self._lost, self._away)
            flow += sent
            variance += error * error
        self.estimator.upstream_changed(flow, sqrt(variance), at_us)
        return []

    # --- telling --------------------------------------------------------------------------------

    def _tell_stop(self, pump: int, at_us: int) -> list[Output]:
        if not self.telling:
            return []
        look = self.estimator.look(at_us)
        name = self._pumps.names[pump]
        found: list[Output] = []
        flow, factor = look.flows_m3_s[pump], look.factors[pump]
        if flow.error < SETTLED * flow.value:
            found.append(_derived(f"{name}.flow", flow, look, at_us))
            if self._pumps.has_curves:
                found.append(_derived(f"{name}.wear_factor", factor, look, at_us))
        most_m3, unknown_s = look.unknown_most_m3[pump], _unknown_s(look, pump)
        volume = look.pumped_m3[pump]
        found.append(_volume(f"{name}.volume_pumped", volume, most_m3, unknown_s, at_us))
        return found + self._tell(look, at_us)

    def _tell(self, look: Look, at_us: int) -> list[Output]:
        well, found = self.well, list[Output]()
        self._note_extremes(look)
        working_m3 = self.estimator.working_m3
        inflow = look.mean_inflow_m3_s
        step = max(0.5 * inflow.error, INFLOW_TOLD_SHARE * inflow.value)
        if self._is_news("inflow", inflow.value, step):
            found.append(_derived(f"{well}.inflow", inflow, look, at_us))
        if self._is_news(
            "level", look.level_m.value, max(0.5 * look.level_m.error, self._level_step_m)
        ):
            found.append(_derived(f"{well}.level", look.level_m, look, at_us))
        most_m3 = sum(look.unknown_most_m3)
        for quantity, figure in (
            ("volume_pumped", look.pumped_total_m3),
            ("volume_in", look.inflow_total_m3),
        ):
            if self._is_news(quantity, figure.value, VOLUME_TOLD_SHARE * working_m3):
                found.append(
                    _volume(f"{well}.{quantity}", figure, most_m3, _unknown_s(look), at_us)
                )
        if look.overflow_m3 > 0.0 and self._is_news("overflow_volume", look.overflow_m3, 0.0):
            found.append(
                Derived(f"{well}.overflow_volume", look.overflow_m3, Quality.UNCERTAIN, at_us,
                        low=0.0, reason=MAY_HAVE_SPILLED)
            )  # fmt: skip
        for quantity, to_m3 in (
            ("time_to_high", self._high_m3), ("time_to_overflow", self._edge_m3),
        ):  # fmt: skip
            if to_m3 is not None:
                found += self._time_to(quantity, to_m3, look, at_us)
        if self._edge_m3 is not None:
            reserve = Figure(max(0.0, self._edge_m3 - look.volume_m3.value), look.volume_m3.error)
            step = max(0.5 * reserve.error, VOLUME_TOLD_SHARE * working_m3)
            if self._is_news("storage_reserve", reserve.value, step):
                found.append(_derived(f"{well}.storage_reserve", reserve, look, at_us))
        return found

    def _time_to(self, quantity: str, to_m3: float, look: Look, at_us: int) -> list[Output]:
        """Time in which the present inflow fills the well so far, were all pumps to stop now."""
        room_m3, inflow = to_m3 - look.volume_m3.value, look.mean_inflow_m3_s
        slow, fast = inflow.value - BOUND * inflow.error, inflow.value + BOUND * inflow.error
        if inflow.value <= 0.0 or room_m3 / inflow.value > LONGEST_TIME_S:
            return []
        value = max(0.0, room_m3) / inflow.value
        if not self._is_news(quantity, value, TIME_TOLD_SHARE * value):
            return []
        off_m3 = BOUND * look.volume_m3.error
        high = max(0.0, room_m3 + off_m3) / slow if slow > 0.0 else None
        return [
            Derived(f"{self.well}.{quantity}", value, Quality.GOOD, at_us,
                    low=max(0.0, room_m3 - off_m3) / fast, high=high)
        ]  # fmt: skip

    def _is_news(self, quantity: str, value: float, step: float) -> bool:
        """Whether a figure has moved by more than ``step`` since it was last told."""
        told = self._told.get(quantity)
        if told is not None and abs(value - told) <= step:
            return False
        self._told[quantity] = value
        return True

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        return {
            "estimator": self.estimator.save(),
            "shown": dict(self._shown),
            "share": dict(self._share),
            "bad": dict.fromkeys(sorted(self._bad), True),
            "lost": {panel: panel in self._away for panel in sorted(self._lost)},
            "told": dict(self._told),
            "extremes": {q: list[Plain](pair) for q, pair in self._extremes.items()},
            "upstream": {str(k): above.saved_state() for k, above in enumerate(self._upstream)},
        }

    def restore(self, saved: Saved) -> None:
        try:
            self.estimator.restore(cast(Saved, saved["estimator"]))
            shown = cast(dict[str, bool | None], saved["shown"])
            share = cast(dict[str, float], saved["share"])
            bad, lost = cast(Saved, saved["bad"]), cast(dict[str, bool], saved["lost"])
            told = cast(dict[str, float], saved["told"])
            upstream = cast(dict[str, bool | None], saved["upstream"])
            extremes = cast(dict[str, list[float]], saved["extremes"])
        except KeyError as missing:
            raise ValueError(f"the saved state of {self.name} lacks {missing}") from None
        self._shown.update({point: shown[point] for point in self._shown if point in shown})
        self._share = {point: share[point] for point in self._speeds if point in share}
        self._bad = {point for point in bad if point in self._shown or point in self._speeds}
        self._lost = set(lost)
        self._away = {panel for panel, away in lost.items() if away}
        self._told = dict(told)
        self._extremes = {quantity: (low, high) for quantity, (low, high) in extremes.items()}
        for k, above in enumerate(self._upstream):
            above.take_back(upstream.get(str(k)))


def _is_of(point: str, panel: str) -> bool:
    return point.partition(".")[0] == panel


def _unknown_s(look: Look, pump: int = -1) -> float:
    """Time in which it was not known how a pump ran; without a pump, how any of them did."""
    return look.unknown_s + look.doubtful_s[pump]


def _derived(subject: str, figure: Figure, look: Look, at_us: int) -> Derived:
    """An estimate with its bounds; none of these quantities is negative."""
    margin = BOUND * figure.error
    return Derived(
        subject, figure.value, Quality.UNCERTAIN if look.doubtful else Quality.GOOD, at_us,
        low=max(0.0, figure.value - margin), high=figure.value + margin,
        reason=HOW_UNKNOWN if look.doubtful else "",
    )  # fmt: skip


def _volume(subject: str, figure: Figure, most_m3: float, unknown_s: float, at_us: int) -> Derived:
    """A volume since the start; ``most_m3`` is the most that unknown time may hide."""
    doubt = unknown_s > 0.0
    margin = BOUND * hypot(figure.error, MODEL_SHARE * figure.value)
    return Derived(
        subject, figure.value, Quality.UNCERTAIN if doubt else Quality.GOOD, at_us,
        low=max(0.0, figure.value - margin),
        high=figure.value + margin + most_m3,
        reason=UNKNOWN_TIME if doubt else "",
    )  # fmt: skip
