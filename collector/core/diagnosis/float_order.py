"""Floats that deny each other, and which of them is likely wrong.

A float that makes and breaks no lower than another cannot be made while that other hangs. When the
floats of a well say so, one of the two is wrong: the one that moved, or the one that should have
moved before. Two of three decide; else the water as reckoned (``reckoning.py``) does, if it is
clearly short of the one or past the other; else what happens next: a float that comes and goes
while the other does not stir was moved by the water. A float found wrong stays so until it has
moved in order again.

Source: geometry of float switches with a differential; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import partial
from itertools import permutations

from collector.core.component import Saved
from collector.core.diagnosis.limits import (
    CLEAR,
    FAR_AHEAD,
    ORDERLY_S,
    OUT_OF_ORDER_S,
    PAST,
    UNDECIDED_S,
)
from collector.core.diagnosis.reckoning import Reckoning
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import WELL, diagnosis, role_words
from collector.core.process.telling import plain
from collector.plant.equipment import Float

Shown = dict[str, bool | None]


class FloatOrder:
    """The order of one well's floats.

    Args:
        well, title: its name and what people call it.
        floats: by role, bottom up.
        reckoning: of its water.
    """

    def __init__(
        self, well: str, title: str, floats: Sequence[tuple[str, Float]], reckoning: Reckoning
    ) -> None:
        self._well, self._title = well, title
        self._floats = dict(floats)
        self._reckoning = reckoning
        self._above = [
            (upper, lower)
            for (upper, high), (lower, low) in permutations(floats, 2)
            if high.makes_at_m >= low.makes_at_m and high.breaks_m >= low.breaks_m
        ]
        self._since_us: int | None = None  # they deny each other since
        self._mover = ""  # the float that brought it about
        self._suspect = ""  # the one that is wrong, if that is clear
        self._rising = False  # whether that one made
        self._reckoned: tuple[float, float] | None = None  # volume and error at that moment
        self._pair = ("", "")  # upper, lower
        self._odd: dict[str, bool] = {}  # floats that moved where no water can have been
        self._guilty: dict[str, int] = {}  # role: movements since it was last found wrong
        self._guilty_since_us: dict[str, int] = {}

    def denied(self, shown: Shown) -> list[tuple[str, str]]:
        """Pairs (upper, lower) of which the upper is made while the lower hangs."""
        return [
            (upper, lower)
            for upper, lower in self._above
            if shown[upper] is True and shown[lower] is False
        ]

    @property
    def doubted(self) -> bool:
        """Whether the floats deny each other, or one of them was found wrong."""
        return self._since_us is not None or bool(self._guilty)

    def suspects(self, role: str) -> bool:
        """Whether a float is the one that is likely wrong."""
        return role in self._guilty or (
            self._since_us is not None and role in (self._suspect or self._pair)
        )

    def pause(self) -> None:
        """What the floats say of each other means nothing for a while."""
        self._since_us = None

    def moved(
        self, role: str, shown: Shown, after_us: int, at_us: int, by_us: int, *, pumping: bool
    ) -> None:
        """A float was seen to move.

        Args:
            role: which.
            shown: what all of them show now.
            after_us, at_us, by_us: bracket of the movement and its middle.
            pumping: a pump runs.
        """
        if role in self._guilty:
            self._guilty[role] += 1
        pairs = self.denied(shown)
        if not pairs:
            self._settle(role, after_us)
            self._anchor(role, made=shown[role] is True, at_us=at_us, by_us=by_us, pumping=pumping)
        elif self._since_us is None:
            self._since_us, self._mover, self._rising = at_us, role, shown[role] is True
            self._reckoned = self._reckoning.volume_m3(at_us)
            self._pair = next((pair for pair in pairs if role in pair), pairs[0])
            self._suspect = self._judge(role, shown, at_us, pumping)
            if self._suspect in self._guilty:
                self._guilty[self._suspect] = 0
        elif not self._suspect:
            self._suspect = self._by_majority(shown)

    def seen(self, shown: Shown, now_us: int) -> None:
        """The floats were found as they are, or one is no longer known."""
        pairs = self.denied(shown)
        if not pairs:
            self._since_us = None
        elif self._since_us is None:
            self._since_us, self._mover, self._pair = now_us, "", pairs[0]
            self._suspect, self._rising, self._reckoned = self._by_majority(shown), True, None

    def _anchor(self, role: str, *, made: bool, at_us: int, by_us: int, pumping: bool) -> None:
        """The water is where a float has just moved, unless it cannot be."""
        switch = self._floats[role]
        height_m = switch.makes_at_m if made else switch.breaks_m
        ahead = self._reckoning.ahead(height_m, at_us, rising=made)
        if (not made and not pumping) or (ahead is not None and ahead > FAR_AHEAD):
            self._odd[role] = True
            return
        self._odd.pop(role, None)
        if role not in self._guilty:
            self._reckoning.anchor(height_m, at_us, by_us)

    def _settle(self, role: str, after_us: int) -> None:
        """It has ended by the movement of a float; until ``after_us`` it lasted."""
        if self._since_us is None:
            return
        lasted_s = (after_us - self._since_us) / 1e6
        suspect = self._suspect
        if not suspect and role == self._mover:
            # It came and went as the water does, and the other did not move with it.
            suspect = self._pair[0] if self._mover == self._pair[1] else self._pair[1]
        elif not suspect:
            suspect = self._mover or self._pair[1]
        if lasted_s >= OUT_OF_ORDER_S:
            self._convict(suspect, self._since_us)
        self._since_us = None

    def _convict(self, role: str, since_us: int) -> None:
        if role not in self._guilty:
            self._guilty_since_us[role] = since_us
            self._guilty[role] = 0

    def _judge(self, mover: str, shown: Shown, at_us: int, pumping: bool) -> str:
        """Which of the pair is wrong, if that is clear; else empty."""
        majority = self._by_majority(shown)
        if majority or mover not in self._pair:
            return majority
        other = self._pair[0] if mover == self._pair[1] else self._pair[1]
        for role in self._pair:
            if role in self._guilty or role in self._odd:
                return role
        rising = shown[mover] is True
        if not rising and not pumping:
            return mover
        here, there = self._floats[mover], self._floats[other]
        early = self._reckoning.ahead(
            here.makes_at_m if rising else here.breaks_m, at_us, rising=rising
        )
        late = self._reckoning.ahead(
            there.makes_at_m if rising else there.breaks_m, at_us, rising=rising
        )
        if early is None or late is None:
            return ""
        if early > CLEAR and late > -0.5 * CLEAR:
            return mover
        return other if late < -PAST and early < CLEAR else ""

    def _likelier(self, *, pumping: bool) -> tuple[str, float]:
        """Which it is likely to be if nothing has decided it for so long, in s.

        A float that was rightly made is brought back by the pumps within minutes, if they run; if
        they do not, the float below that keeps them from it is the wrong one. A float that rightly
        broke is brought back by the inflow, which may take long at night.
        """
        other = self._pair[0] if self._mover == self._pair[1] else self._pair[1]
        if not self._mover:
            return self._pair[1], UNDECIDED_S
        if self._rising:
            return (self._mover if pumping else other), UNDECIDED_S
        return self._mover, 4.0 * UNDECIDED_S

    def _by_majority(self, shown: Shown) -> str:
        """The one float without which the others agree, if there is exactly one; else empty."""
        alone = [
            role
            for role in self._floats
            if shown[role] is not None and not self.denied({**shown, role: None})
        ]
        return alone[0] if len(alone) == 1 else ""

    def claims(self, said: Collection[str], *, pumping: bool) -> list[Claim]:
        """One claim for each float, but for those of which as much is ``said`` already."""
        likelier, likelier_s = self._likelier(pumping=pumping)
        found = []
        for role in self._floats:
            accused = self._since_us is not None and self._suspect == role
            wait_s = OUT_OF_ORDER_S
            holds: bool | None = None
            since_us, rest_s = self._since_us, 0.0
            if role in self._guilty:
                moves = self._guilty[role]
                since_us = self._guilty_since_us[role]
                holds = bool(accused or moves == 0)
                rest_s = 0.0 if moves >= 2 else ORDERLY_S
            elif accused:
                holds = True
            elif self._since_us is None:
                holds = False
            elif not self._suspect and role == likelier:
                holds, wait_s = True, likelier_s
            if holds and role in said:
                holds = None
            found.append(
                Claim(f"{self._well}.float_{role}_out_of_order", holds, wait_s,
                      partial(self._tell, role), rest_s, since_us)
            )  # fmt: skip
        return found

    def note_standing(self, role: str, *, stands: bool) -> None:
        """What became of the claim about a float."""
        if stands and role not in self._guilty and self._since_us is not None:
            self._convict(role, self._since_us)
            self._suspect = role
        elif not stands and role in self._guilty:
            self._guilty.pop(role)
            self._guilty_since_us.pop(role)

    def _tell(self, role: str) -> str:
        upper, lower = self._pair
        other = lower if role == upper else upper
        state = "is made" if role == upper else "hangs"
        other_state = "hangs" if role == upper else "is made"
        reckoned = self._reckoned
        evidence = ""
        if reckoned is not None:
            evidence = (
                f"By inflow and pump flow the well held {reckoned[0]:.2f} "
                f"+- {2.0 * reckoned[1]:.2f} m3 when it began"
            )
        return diagnosis(
            f"{self._title}: the {role_words(role)} float {state} while the {role_words(other)} "
            f"float {other_state}, which water cannot do; likely wrong is {role_words(role)}",
            "A float hangs once the water is below it and is made once it is above",
            f"the {role_words(role)} float (caught, greased up, its cable or wiring), then the "
            f"{role_words(other)} float; the pumps act on what it says", WELL, evidence,
        )  # fmt: skip

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "since_us": self._since_us, "mover": self._mover, "suspect": self._suspect,
            "rising": self._rising, "pair": plain(self._pair), "odd": dict(self._odd),
            "reckoned": None if self._reckoned is None else plain(self._reckoned),
            "guilty": dict(self._guilty), "guilty_since_us": dict(self._guilty_since_us),
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``; floats that are gone are forgotten."""
        if not isinstance(saved, dict):
            raise ValueError("the saved order of floats is of another form")
        self._since_us, self._mover = saved["since_us"], saved["mover"]
        self._suspect, self._rising = saved["suspect"], saved["rising"]
        reckoned = saved["reckoned"]
        self._reckoned = None if reckoned is None else (reckoned[0], reckoned[1])
        self._odd = {role: True for role in saved["odd"] if role in self._floats}
        self._pair = (saved["pair"][0], saved["pair"][1])
        self._guilty = {role: n for role, n in saved["guilty"].items() if role in self._floats}
        self._guilty_since_us = {
            role: at for role, at in saved["guilty_since_us"].items() if role in self._guilty
        }
