"""Floats that chatter, floats that stay made while the pumps should have drawn the water from under
them, and floats that a metered level contradicts."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Sequence
from functools import partial

from collector.core.component import Saved
from collector.core.diagnosis.limits import (
    CHATTER_ENDS_S,
    CHATTER_MOVES,
    CHATTER_WINDOW_S,
    METER_AGAINST_FLOAT_M,
    METER_AGAINST_FLOAT_S,
    STUCK_RUN_FACTOR,
    STUCK_RUN_LEAST_S,
)
from collector.core.diagnosis.reckoning import Reckoning
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import PUMP, WELL, diagnosis, duration, role_words
from collector.plant.equipment import Float

Shown = dict[str, bool | None]


class FloatFaults:
    """What is wrong with each float by itself.

    Args:
        well, title: its name and what people call it.
        floats: by role, bottom up.
        stop_role: the float that stops the pumps.
        reckoning: of its water.
    """

    def __init__(
        self, well: str, title: str, floats: Sequence[tuple[str, Float]], stop_role: str,
        reckoning: Reckoning,
    ) -> None:  # fmt: skip
        self._well, self._title = well, title
        self._floats = dict(floats)
        self._stop_role = stop_role
        self._reckoning = reckoning
        self._moves: dict[str, deque[int]] = {
            role: deque(maxlen=CHATTER_MOVES) for role in self._floats
        }
        self._last_move_us = 0
        self._pumping_since_us: int | None = None
        self._should_take_s: float | None = None
        self.level_m: float | None = None

    # --- what happens ---------------------------------------------------------------------------

    def moved(self, role: str, at_us: int) -> None:
        """A float was seen to move."""
        self._moves[role].append(at_us)
        self._last_move_us = at_us
        self._should_take_s = None

    def pumping(self, runs: bool | None, at_us: int) -> None:
        """Whether any pump of the well runs."""
        if not runs:
            self._pumping_since_us = self._should_take_s = None
        elif self._pumping_since_us is None:
            self._pumping_since_us, self._should_take_s = at_us, None

    def interrupt(self) -> None:
        """Something may have happened unseen."""
        for moves in self._moves.values():
            moves.clear()
        self._pumping_since_us = self._should_take_s = None

    # --- what is wrong --------------------------------------------------------------------------

    def chatters(self, role: str, now_us: int) -> bool:
        """Whether a float has just moved more often than water does."""
        moves = self._moves[role]
        return (
            len(moves) == CHATTER_MOVES
            and moves[-1] - moves[0] <= CHATTER_WINDOW_S * 1e6
            and now_us - moves[-1] <= CHATTER_WINDOW_S * 1e6
        )

    def claims(self, shown: Shown, now_us: int, suspected: Collection[str]) -> list[Claim]:
        """All claims about single floats, but for what is said of those ``suspected`` already."""
        found = [
            Claim(
                f"{self._well}.float_{role}_chattering", self.chatters(role, now_us), 0.0,
                partial(self._tell_chatter, role), CHATTER_ENDS_S, self._first(role),
            )
            for role in self._floats
        ]  # fmt: skip
        if self._stop_role in self._floats:
            found.append(self._stuck(shown, now_us))
        against = {} if self.level_m is None else self._against(shown, self.level_m)
        wrong = [role for role, apart in against.items() if apart]
        for role, apart in against.items():
            # More than one at a time is the meter's doing.
            holds = apart if len(wrong) < 2 or apart is None else False
            if role in suspected and holds:
                holds = None
            found.append(
                Claim(f"{self._well}.float_{role}_against_level", holds, METER_AGAINST_FLOAT_S,
                      partial(self._tell_against, role))
            )  # fmt: skip
        if against:
            known = len([apart for apart in against.values() if apart is not None])
            found.append(
                Claim(f"{self._well}.level_against_floats", len(wrong) > 1 if known > 1 else None,
                      METER_AGAINST_FLOAT_S, self._tell_meter)
            )  # fmt: skip
        return found

    def _first(self, role: str) -> int | None:
        return self._moves[role][0] if self._moves[role] else None

    def _stuck(self, shown: Shown, now_us: int) -> Claim:
        made = shown[self._stop_role]
        holds: bool | None = made and (True if self._pumping_since_us is not None else None)
        if holds and self.level_m is not None:
            holds = None  # the meter tells more, and what stood before ends with the float
        since_us, wait_s = None, STUCK_RUN_LEAST_S
        if holds and self._pumping_since_us is not None:
            since_us = max(self._pumping_since_us, self._last_move_us)
            if self._should_take_s is None:
                self._should_take_s = self._drawdown_s(now_us)
            wait_s = max(wait_s, STUCK_RUN_FACTOR * self._should_take_s)
        return Claim(
            f"{self._well}.not_emptied", holds, wait_s, self._tell_stuck,
            since_us=since_us,
        )  # fmt: skip

    def _drawdown_s(self, now_us: int) -> float:
        """How long the pumps should need down to the stop float; 0 where nobody knows."""
        look = self._reckoning.look(now_us)
        if look is None:
            return 0.0
        stop_m3 = self._reckoning.volume_of(self._floats[self._stop_role].breaks_m)
        net = look.outflow_m3_s.value - look.inflow_m3_s.value
        net = max(net, 0.1 * look.outflow_m3_s.value)
        return 0.0 if net <= 0.0 else max(0.0, look.volume_m3.value - stop_m3) / net

    def _against(self, shown: Shown, level_m: float) -> dict[str, bool | None]:
        found: dict[str, bool | None] = {}
        for role, switch in self._floats.items():
            made = shown[role]
            if made is None:
                found[role] = None
            elif made:
                found[role] = level_m < switch.breaks_m - METER_AGAINST_FLOAT_M
            else:
                found[role] = level_m > switch.makes_at_m + METER_AGAINST_FLOAT_M
        return found

    def _tell_chatter(self, role: str) -> str:
        return diagnosis(
            f"{self._title}: the {role_words(role)} float moved {CHATTER_MOVES} times within "
            f"{duration(CHATTER_WINDOW_S)}",
            "Water crosses it once in that time",
            "the float (turbulence under the inlet, tether too short) and its contact or cable",
            WELL,
        )  # fmt: skip

    def _tell_stuck(self) -> str:
        switch = self._floats[self._stop_role]
        expected = ""
        if self._should_take_s:
            expected = f"By the known flows that should take about {duration(self._should_take_s)}"
        return diagnosis(
            f"{self._title}: the pumps run and the {role_words(self._stop_role)} float stays made, "
            f"it has not fallen to {switch.breaks_m:.2f} m",
            expected,
            f"the water: below {switch.breaks_m:.2f} m, and the {role_words(self._stop_role)} "
            "float hangs and the pump runs dry; above, and the pump moves no water (blocked, "
            "air-locked, valve shut)", PUMP,
        )  # fmt: skip

    def _tell_against(self, role: str) -> str:
        switch = self._floats[role]
        return diagnosis(
            f"{self._title}: the level meter shows {self.level_m:.2f} m, and the "
            f"{role_words(role)} float does not say so",
            f"It makes at {switch.makes_at_m:.2f} m and breaks at {switch.breaks_m:.2f} m",
            f"the {role_words(role)} float, then the meter", WELL,
        )  # fmt: skip

    def _tell_meter(self) -> str:
        return diagnosis(
            f"{self._title}: the level meter shows {self.level_m:.2f} m and contradicts more than "
            "one float",
            "Floats and meter agree to a hand's breadth", "the level meter, its zero and what "
            "hangs in its beam", WELL,
        )  # fmt: skip

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "moves": {role: list(moves) for role, moves in self._moves.items()},
            "last_move_us": self._last_move_us, "pumping_since_us": self._pumping_since_us,
            "should_take_s": self._should_take_s, "level_m": self.level_m,
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``; floats that are new have not moved."""
        if not isinstance(saved, dict):
            raise ValueError("the saved state of floats is of another form")
        for role, moves in self._moves.items():
            moves.clear()
            moves.extend(saved["moves"].get(role, []))
        self._last_move_us = saved["last_move_us"]
        self._pumping_since_us = saved["pumping_since_us"]
        self._should_take_s, self.level_m = saved["should_take_s"], saved["level_m"]
