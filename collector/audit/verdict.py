"""What a verification of an audited record comes to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    """What a verification comes to; only ``WHOLE`` is well."""

    WHOLE = "whole"
    BROKEN = "broken"
    CUT_OFF = "cut off"
    TAMPERED = "tampered with"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was found.

    Args:
        outcome: in a word.
        wrong: what is wrong, in a sentence; empty if nothing is.
        bad_number: the first bad entry; None where no entry is bad.
        first, last: numbers of the entries that are whole, 0 if none.
        hash: of the last of them, in hex.
        signed_to: the last entry that a valid signature covers, 0 if none.
        signed_day: the plant day of that head.
        notes: what was not looked at, or cannot be proven.
    """

    outcome: Outcome
    wrong: str
    bad_number: int | None
    first: int
    last: int
    hash: str
    signed_to: int
    signed_day: str
    notes: tuple[str, ...]


class NotWhole(Exception):
    """The first thing found wrong.

    Args:
        wrong: in a sentence.
        number: the bad entry, if it is one.
        outcome: what that makes of the record.
    """

    def __init__(
        self, wrong: str, number: int | None = None, outcome: Outcome = Outcome.TAMPERED
    ) -> None:
        super().__init__(wrong)
        self.wrong, self.number, self.outcome = wrong, number, outcome
