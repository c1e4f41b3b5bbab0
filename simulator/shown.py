"""Which figures the panels show, and how often each is brought up to date."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import count
from random import Random

from simulator.dosing import Chemistry
from simulator.maps import SELECTOR
from simulator.panel import Panel
from simulator.pumping import Motor
from simulator.site import METER_OFFSETS
from simulator.wells import Well

STROKES_AT_START = 64_800


def show_figures(
    panels: Mapping[str, Panel],
    motors: Mapping[str, Motor],
    wells: Mapping[str, Well],
    chemistry: Chemistry,
    rng: Random,
) -> None:
    """Let the panels keep their figures up to date.

    Args:
        panels, motors, wells, chemistry: of the plant.
        rng: for the noise of the level meters.
    """
    works, meadow, bowser = panels["works"], panels["meadow"], panels["bowser"]
    beats = count(1)
    works.every_10_s(lambda: works.set_figure("heartbeat", next(beats)))
    works.every_10_s(_level(works, "equalization_level", wells["equalization"], 3.0, rng))
    bowser.every_10_s(_level(bowser, "level", wells["bowser_tank"], 4.0, rng))
    for name in ("collection_pump_1", "collection_pump_2", "feed_pump_1", "feed_pump_2"):
        works.every_60_s(_motor(works, motors[name], name, 1.0, current=True, starts=True))
    for name in ("blower_1", "blower_2"):
        works.every_60_s(_motor(works, motors[name], name, 3600.0, current=True, starts=False))
    works.every_60_s(_motor(works, motors["mixer"], "mixer", 3600.0, current=False, starts=False))
    for number in (1, 2):
        motor, signal = motors[f"meadow_pump_{number}"], f"pump_{number}"
        meadow.every_60_s(_motor(meadow, motor, signal, 3600.0, current=True, starts=True))
        meadow.every_60_s(_selector(meadow, motor, f"{signal}_selector"))
    pump = motors["bowser_pump"]
    bowser.every_60_s(_motor(bowser, pump, "pump", 3600.0, current=False, starts=True))
    works.every_60_s(lambda: works.set_figure("turbidity", chemistry.turbidity_shown()))
    works.every_60_s(lambda: works.set_figure("residual", chemistry.residual_shown()))
    works.every_60_s(
        lambda: works.set_figure("hypochlorite_strokes", STROKES_AT_START + chemistry.strokes)
    )


def _level(
    panel: Panel, signal: str, well: Well, noise_mm: float, rng: Random
) -> Callable[[], None]:
    """A level meter in mm, noisy like one that looks down on ripples."""

    def show() -> None:
        ripple = noise_mm * (rng.random() + rng.random() - 1.0)
        panel.set_figure(signal, well.level_m() * 1000.0 + ripple)

    return show


def _motor(
    panel: Panel, motor: Motor, signal: str, hour_unit_s: float, *, current: bool, starts: bool
) -> Callable[[], None]:
    """Hour meter in ``hour_unit_s`` and, where the panel has them, current and start counter."""
    first_h, first_starts = METER_OFFSETS[motor.name]
    first_s = first_h * 3600.0

    def show() -> None:
        panel.set_figure(f"{signal}_hours", (first_s + motor.run_s()) / hour_unit_s)
        if current:
            panel.set_figure(f"{signal}_current", motor.current_a())
        if starts:
            panel.set_figure(f"{signal}_starts", first_starts + motor.truth.starts)

    return show


def _selector(panel: Panel, motor: Motor, signal: str) -> Callable[[], None]:
    return lambda: panel.set_figure(signal, SELECTOR[motor.selector])
