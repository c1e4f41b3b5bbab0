"""Coagulant at a fixed rate while the works is fed, hypochlorite by strokes paced by the flow, and
what the two meters after them show. Figures invented."""

from __future__ import annotations

from random import Random

from simulator.demand import STEP_S, gaussian
from simulator.panel import Panel

COAGULANT_L_PER_H = 0.9
ML_PER_STROKE = 0.5
STROKES_PER_LITRE = 0.064  # 0.5 mL of 125 g/L gives 4 mg/L


class DayTank:
    """Stock of one chemical; somebody refills it of a morning when it is low.

    Attributes:
        stock_l: in the tank.
        used_l, poured_l: since the start, what was dosed of it and what was filled in.
        empty: a fault: it is empty and nobody comes.
    """

    def __init__(
        self, panel: Panel, signal: str, stock_l: float, full_l: float, low_l: float
    ) -> None:
        self._panel = panel
        self._signal = signal
        self._full_l = full_l
        self._low_l = low_l
        self.stock_l = stock_l
        self.used_l = self.poured_l = 0.0
        self.empty = False
        self.show()

    def draw(self, litres: float) -> float:
        """Take what is there; returns how much it was."""
        taken = 0.0 if self.empty else min(litres, self.stock_l)
        self.stock_l -= taken
        self.used_l += taken
        return taken

    def minute(self, minute_of_day: int) -> None:
        """Refill at nine if it is time."""
        if minute_of_day == 9 * 60 + 7 and self.stock_l < 1.6 * self._low_l and not self.empty:
            self._fill()
        self.show()

    def set_empty(self, *, empty: bool) -> None:
        """Begin or end the fault; at its end the tank is filled."""
        self.empty = empty
        if empty:
            self.stock_l = 0.0
        else:
            self._fill()
        self.show()

    def _fill(self) -> None:
        self.poured_l += self._full_l - self.stock_l
        self.stock_l = self._full_l

    def show(self) -> None:
        """Bring the tank's contact up to date."""
        self._panel.set_contact(self._signal, made=self.stock_l < self._low_l)


class Chemistry:
    """Strokes, turbidity after the filter and chlorine residual after the contact tank.

    Attributes:
        strokes: of the hypochlorite pump.
        turbidity_ntu, residual_mg_l: what the meters would show without noise.
    """

    def __init__(self, coagulant: DayTank, hypochlorite: DayTank, rng: Random) -> None:
        self.coagulant = coagulant
        self.hypochlorite = hypochlorite
        self._rng = rng
        self._strokes = 0.0
        self.turbidity_ntu = 1.1
        self.residual_mg_l = 1.9
        self._lacking = 0.0

    @property
    def strokes(self) -> int:
        """Whole strokes since the start."""
        return int(self._strokes)

    @property
    def solids_g_per_l(self) -> float:
        """Solids in the water to the filter, but for what the clarifier loses."""
        return 0.010 + 0.006 * self._lacking

    def step(
        self, flow_l_s: float, coagulant_s: float, carry_over: float, *, powered: bool
    ) -> None:
        """Go on by a minute in which the coagulant pump ran for ``coagulant_s``."""
        wanted_l = COAGULANT_L_PER_H * coagulant_s / 3600.0
        lacking = 1.0 if wanted_l > 0.0 and self.coagulant.draw(wanted_l) < 0.5 * wanted_l else 0.0
        if wanted_l > 0.0:
            self._lacking += (lacking - self._lacking) * STEP_S / 1800.0
        dose_mg_l = 0.0
        if powered and flow_l_s > 0.0:
            strokes = flow_l_s * STEP_S * STROKES_PER_LITRE
            self._strokes += strokes
            taken_l = self.hypochlorite.draw(strokes * ML_PER_STROKE * 0.001)
            dose_mg_l = taken_l * 125_000.0 / (flow_l_s * STEP_S)
        ntu = 0.9 + 1.3 * carry_over + 1.8 * self._lacking
        self.turbidity_ntu += (ntu - self.turbidity_ntu) * STEP_S / 1500.0
        residual = max(0.0, 0.6 * dose_mg_l - 0.45 - 0.5 * carry_over)
        self.residual_mg_l += (residual - self.residual_mg_l) * STEP_S / 2400.0

    def turbidity_shown(self) -> float:
        """What the meter shows, NTU."""
        return max(0.05, self.turbidity_ntu * (1.0 + 0.03 * gaussian(self._rng)))

    def residual_shown(self) -> float:
        """What the meter shows, mg/L."""
        return self.residual_mg_l + 0.02 * gaussian(self._rng)
