"""A simulated panel: its register image, whether it can be reached, and what is wrong with it.

Contacts reach the registers at the instant they move. Figures are brought up to date at the panel's
own cadence, as real controllers do: ``fast`` ones every 10 s, the rest every 60 s.
"""

from __future__ import annotations

from collections.abc import Callable

from simulator.image import RegisterImage, RegisterMap
from simulator.schedule import SECOND_US, Schedule

FAST_US = 10 * SECOND_US
FAST_PER_SLOW = 6


class Panel:
    """One panel.

    Attributes:
        image: its registers.
        link_dead: nothing gets through, and connections break.
        silent: nothing gets through, and nobody is told.
        reply_delay_s: how late replies come.
        garbled: replies arrive damaged.
    """

    def __init__(
        self, name: str, register_map: RegisterMap, schedule: Schedule, phase_us: int
    ) -> None:
        self.name = name
        self.image = RegisterImage(register_map)
        self.link_dead = False
        self.silent = False
        self.reply_delay_s = 0.0
        self.garbled = False
        self._powered = True
        self._here = True
        self._turns = 0
        self._frozen = False
        self._pending_contacts: dict[str, bool] = {}
        self._pending_figures: dict[str, float] = {}
        self._fast: list[Callable[[], None]] = []
        self._slow: list[Callable[[], None]] = []
        self._ticks = 0
        self._timer = schedule.timer(self._tick)
        self._timer.set_in(phase_us)

    @property
    def version(self) -> int:
        """Goes up whenever a register or anything else a reader may notice changes."""
        return self.image.version + self._turns

    def reachable(self) -> bool:
        """Whether a request gets an answer at the instant the plant stands at."""
        return self.connected() and not self.silent

    def connected(self) -> bool:
        """Whether a connection to it can be made and held."""
        return self._powered and self._here and not self.link_dead

    @property
    def powered(self) -> bool:
        """Whether the controller has power and its program runs."""
        return self._powered

    def set_powered(self, *, powered: bool) -> None:
        """The controller dies or comes up; coming up, it brings all figures up to date."""
        self._powered = powered
        self.note_change()
        if powered:
            self.update_figures()

    def set_here(self, *, here: bool) -> None:
        """A visiting panel comes or goes."""
        self._here = here
        self.note_change()
        if here:
            self.update_figures()

    def note_change(self) -> None:
        """Something other than a register changed."""
        self._turns += 1

    def every_10_s(self, update: Callable[[], None]) -> None:
        """Bring a figure up to date every 10 s."""
        self._fast.append(update)

    def every_60_s(self, update: Callable[[], None]) -> None:
        """Bring a figure up to date every 60 s."""
        self._slow.append(update)

    def update_figures(self) -> None:
        """Bring all figures up to date now."""
        for update in (*self._fast, *self._slow):
            update()

    def _tick(self) -> None:
        # Without any fast figure the panel wakes only for the slow ones.
        steps = 1 if self._fast else FAST_PER_SLOW
        self._ticks += steps
        self._timer.set_in(FAST_US * steps)
        if not (self._powered and self._here):
            return
        for update in self._fast:
            update()
        if self._ticks % FAST_PER_SLOW == 0:
            for update in self._slow:
                update()

    def set_contact(self, name: str, *, made: bool) -> None:
        """A contact moves."""
        if self._frozen:
            self._pending_contacts[name] = made
        else:
            self.image.set_contact(name, made=made)

    def set_figure(self, name: str, value: float) -> None:
        """A figure is brought up to date."""
        if self._frozen:
            self._pending_figures[name] = value
        else:
            self.image.set_figure(name, value)

    def set_frozen(self, *, frozen: bool) -> None:
        """Registers stand still, or catch up with what happened meanwhile."""
        self._frozen = frozen
        if not frozen:
            for name, made in self._pending_contacts.items():
                self.image.set_contact(name, made=made)
            for name, value in self._pending_figures.items():
                self.image.set_figure(name, value)
            self._pending_contacts.clear()
            self._pending_figures.clear()
