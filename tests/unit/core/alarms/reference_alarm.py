"""A second, straightforward account of one alarm, which looks back second by second.

It knows no deadlines and keeps no counters: every second it holds what the contacts say, and from
the list of all seconds it reads off whether the rule is met and for how long it has been. Slow and
obvious, and written from the meaning of the rules, not from the desk. The steps between states are
those of the state diagram of IEC 62682 / ISA-18.2, as ``test_states.py`` cites them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.core.alarms.rule import AlarmRule, Happens, Missing

Line = tuple[int, str, str, int]
"""Second, happening, state, activation."""


@dataclass
class ReferenceAlarm:
    """One alarm, seen from a list of seconds.

    Args:
        rule: delays in whole seconds.
    """

    rule: AlarmRule
    now: int = 0
    contact: bool | None = None
    away: bool | None = None
    lost: bool = False
    raised: bool = False
    unknown_told: bool = False
    base: str = "normal"
    shelf_until: int | None = None
    suppressed: bool = False
    out: bool = False
    activation: int = 0
    holding: list[bool | None] = field(default_factory=list)  # at the end of each second
    knowing: list[bool | None] = field(default_factory=list)  # whether that was known
    came_true: list[int] = field(default_factory=list)  # seconds at which it was seen to come true
    met: list[bool | None] = field(default_factory=list)  # at the end of each second
    lines: list[Line] = field(default_factory=list)

    # --- time -----------------------------------------------------------------------------------

    def run_to(self, second: int) -> None:
        """Let seconds pass."""
        while self.now < second:
            self._end_second()
            self.now += 1
            if self.shelf_until is not None and self.now >= self.shelf_until:
                self.shelf_until = None
                self._uncover("shelving ended")
            self._judge()

    def _end_second(self) -> None:
        self.met.append(self._met())
        self.holding.append(self._holds())
        self.knowing.append(self._holds() is not None)

    def _holds(self) -> bool | None:
        return None if self.lost else self.contact

    def _met(self) -> bool | None:
        """Whether the rule is met now."""
        holds, shape = self._holds(), self.rule.shape
        if isinstance(shape, Happens):
            window = shape.within_us // 1_000_000
            if sum(self.now - window < at for at in self.came_true) > shape.times:
                return True
            watched = self._for_seconds(self.knowing, True)
            return None if holds is None or watched < window else False
        if isinstance(shape, Missing):
            if holds is not False:
                return None if holds is None else False
            absent = self._for_seconds(self.holding, False)
            if absent >= shape.for_us // 1_000_000:
                return True
            before = self.holding[-1 - absent] if absent < len(self.holding) else None
            return False if before is True else None
        return holds

    def _for_seconds(self, past: list[bool | None], wanted: bool) -> int:
        """For how many seconds up to now it has been so."""
        count = 0
        for value in reversed(past):
            if value is not wanted:
                break
            count += 1
        return count

    def _judge(self) -> None:
        met = self._met()
        if self.raised:
            if met is None and not self.unknown_told:
                self.unknown_told = True
                self._tell("became unknown")
            elif met is True and self.unknown_told:
                self.unknown_told = False
                self._tell("became known")
            elif met is False:
                delay = self.rule.off_delay_us // 1_000_000
                if self._for_seconds(self.met, False) >= delay:
                    self.raised = self.unknown_told = False
                    self._step("cleared")
                elif self.unknown_told:
                    self.unknown_told = False
                    self._tell("became known")
        elif met is True:
            delay = self.rule.on_delay_us // 1_000_000
            if self._for_seconds(self.met, True) >= delay:
                self.raised = True
                self.activation += 1
                self._step("raised")

    # --- what comes in --------------------------------------------------------------------------

    def set_contact(self, value: bool | None) -> None:
        """The contact that the condition asks for; None is a bad one."""
        before = self._holds(), self._met()
        self.contact = value
        self._look(*before)

    def set_away(self, value: bool | None) -> None:
        """The contact that suppresses by design."""
        self.away = value
        self._look(self._holds(), self._met())

    def set_lost(self, value: bool) -> None:
        """Whether the panel of both is lost."""
        before = self._holds(), self._met()
        self.lost = value
        self._look(*before)

    def _look(self, held: bool | None, was_met: bool | None) -> None:
        away = None if self.lost else self.away
        if self.rule.suppressions and away is not None and away is not self.suppressed:
            self.suppressed = away
            if away:
                self._tell("suppressed")
            else:
                self._uncover("suppression ended")
        if held is False and self._holds() is True:
            self.came_true.append(self.now)
        # A change within a second begins the count anew, even if the second ends as it began.
        if self._holds() is not held:
            self.holding.append(held)
        if (self._holds() is None) is not (held is None):
            self.knowing.append(False)
        if self._met() is not was_met:
            self.met.append(None)
        self._judge()

    # --- states ---------------------------------------------------------------------------------

    @property
    def covered(self) -> bool:
        return self.out or self.shelf_until is not None or self.suppressed

    @property
    def state(self) -> str:
        if self.out:
            return "out of service"
        if self.shelf_until is not None:
            return "shelved"
        return "suppressed by design" if self.suppressed else self.base

    def _step(self, happening: str) -> None:
        if not self.covered:
            if happening == "raised":
                self.base = "unacknowledged"
            elif self.rule.latching:
                seen = self.base == "acknowledged"
                self.base = "latched acknowledged" if seen else "latched unacknowledged"
            else:
                seen = self.base == "acknowledged"
                self.base = "normal" if seen else "returned unacknowledged"
        self._tell(happening)

    def _uncover(self, happening: str) -> None:
        if not self.covered:
            self.base = "unacknowledged" if self.raised else "normal"
        self._tell(happening)

    def _tell(self, happening: str) -> None:
        self.lines.append((self.now, happening, self.state, self.activation))

    # --- people ---------------------------------------------------------------------------------

    def act(self, verb: str, until: int = 0) -> bool:
        """Whether it had an effect."""
        if verb == "acknowledge":
            led = {"unacknowledged": "acknowledged", "returned unacknowledged": "normal",
                   "latched unacknowledged": "latched acknowledged"}  # fmt: skip
            return self._person(led, "acknowledged")
        if verb == "reset":
            led = {"latched unacknowledged": "returned unacknowledged",
                   "latched acknowledged": "normal"}  # fmt: skip
            return self._person(led, "reset")
        if verb == "shelve" and not self.out:
            self.shelf_until = until
            self._tell("shelved")
        elif verb == "unshelve" and self.shelf_until is not None:
            self.shelf_until = None
            self._uncover("unshelved")
        elif verb == "out_of_service" and not self.out:
            self.out = True
            self._tell("taken out of service")
        elif verb == "return_to_service" and self.out:
            self.out = False
            self._uncover("returned to service")
        else:
            return False
        return True

    def _person(self, led: dict[str, str], happening: str) -> bool:
        if self.covered or self.base not in led:
            return False
        self.base = led[self.base]
        self._tell(happening)
        return True
