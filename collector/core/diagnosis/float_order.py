"""Floats that deny each other, and which of them is likely wrong.

A float that makes and breaks no lower than another cannot be made while that other hangs. When the
floats of a well say so, one of the two is wrong: the one that moved, or the one that should have
moved before. Whoever moved is believed if the reckoned water may have come there
(``reckoning.py``); without an estimate, if the water was moving that way. A float found wrong stays
so until it has moved in order again.

Source: geometry of float switches with a differential; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import permutations

from collector.core.component import Saved
from collector.core.diagnosis.limits import ORDERLY_S, OUT_OF_ORDER_S
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
        self._suspect = ""
        self._pair = ("", "")  # upper, lower
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
        return role in self._guilty or (self._since_us is not None and self._suspect == role)

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
        self._settle(shown, after_us)
        pairs = self.denied(shown)
        if not pairs:
            switch = self._floats[role]
            if role not in self._guilty:
                height_m = switch.makes_at_m if shown[role] else switch.breaks_m
                self._reckoning.anchor(height_m, at_us, by_us)
            return
        if self._since_us is None:
            self._since_us = at_us
            involved = [pair for pair in pairs if role in pair] or pairs
            self._pair = involved[0]
            self._suspect = self._judge(role, involved[0], shown, at_us, pumping)
            if self._suspect in self._guilty:
                self._guilty[self._suspect] = 0

    def seen(self, shown: Shown, now_us: int) -> None:
        """The floats were found as they are, or one is no longer known."""
        self._settle(shown, now_us)
        pairs = self.denied(shown)
        if pairs and self._since_us is None:
            self._since_us = now_us
            self._pair = pairs[0]
            self._suspect = self._by_majority(shown) or self._pair[1]

    def _settle(self, shown: Shown, after_us: int) -> None:
        """Has it ended? Then it has lasted up to ``after_us``."""
        if self._since_us is None or self.denied(shown):
            return
        if None not in shown.values() and after_us - self._since_us >= OUT_OF_ORDER_S * 1e6:
            self._convict(self._suspect, self._since_us)
        self._since_us = None

    def _convict(self, role: str, since_us: int) -> None:
        if role not in self._guilty:
            self._guilty_since_us[role] = since_us
            self._guilty[role] = 0

    def _judge(
        self, mover: str, pair: tuple[str, str], shown: Shown, at_us: int, pumping: bool
    ) -> str:
        """Which of a pair is wrong: the one that moved, or the other."""
        majority = self._by_majority(shown)
        if majority:
            return majority
        if mover not in pair:
            return pair[1]
        other = pair[0] if mover == pair[1] else pair[1]
        if other in self._guilty:
            return other
        rising = shown[mover] is True
        switch = self._floats[mover]
        height_m = switch.makes_at_m if rising else switch.breaks_m
        plausible = self._reckoning.passes(height_m, at_us, rising=rising)
        if plausible is None:
            plausible = rising is not pumping
        return other if plausible else mover

    def _by_majority(self, shown: Shown) -> str:
        """The one float without which the others agree, if there is exactly one; else empty."""
        alone = [
            role
            for role in self._floats
            if shown[role] is not None and not self.denied({**shown, role: None})
        ]
        return alone[0] if len(alone) == 1 else ""

    def claims(self) -> list[Claim]:
        """One claim for each float."""
        found = []
        for role in self._floats:
            accused = self._since_us is not None and self._suspect == role
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
            found.append(
                Claim(f"{self._well}.float_{role}_out_of_order", holds, OUT_OF_ORDER_S,
                      partial(self._tell, role), rest_s, since_us)
            )  # fmt: skip
        return found

    def note_standing(self, role: str, *, stands: bool) -> None:
        """What became of the claim about a float."""
        if stands and role not in self._guilty and self._since_us is not None:
            self._convict(role, self._since_us)
        elif not stands and role in self._guilty:
            self._guilty.pop(role)
            self._guilty_since_us.pop(role)

    def _tell(self, role: str) -> str:
        upper, lower = self._pair
        other = lower if role == upper else upper
        state = "made" if role == upper else "hangs"
        other_state = "hangs" if role == upper else "made"
        reckoned = self._reckoning.volume_m3(self._since_us) if self._since_us else None
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
            "since_us": self._since_us, "suspect": self._suspect, "pair": plain(self._pair),
            "guilty": dict(self._guilty), "guilty_since_us": dict(self._guilty_since_us),
        }  # fmt: skip

    def restore(self, saved: object) -> None:
        """Take back a state from ``save``; floats that are gone are forgotten."""
        if not isinstance(saved, dict):
            raise ValueError("the saved order of floats is of another form")
        self._since_us, self._suspect = saved["since_us"], saved["suspect"]
        self._pair = (saved["pair"][0], saved["pair"][1])
        self._guilty = {role: n for role, n in saved["guilty"].items() if role in self._floats}
        self._guilty_since_us = {
            role: at for role, at in saved["guilty_since_us"].items() if role in self._guilty
        }
