"""What came of many faults of one kind, counted."""

from __future__ import annotations

from dataclasses import dataclass, field

MOST_SAID = 5


@dataclass
class Tally:
    """A row of the table.

    Args:
        kind: of fault.
        tried: how many.
        lost: of these, how many lost something that was committed or delivered.
        doubled: something is there twice and does not show that it is.
        wrong: something is there that is not so, or does not fit the rest.
        crashed: an error that is ours, or no way to go on.
        said: the first sentences of what was found.
    """

    kind: str
    tried: int = 0
    lost: int = 0
    doubled: int = 0
    wrong: int = 0
    crashed: int = 0
    said: list[str] = field(default_factory=list)

    @property
    def well(self) -> bool:
        """Whether something was tried and nothing found."""
        return self.tried > 0 and not (self.lost or self.doubled or self.wrong or self.crashed)

    def found(self, what: Findings, where: str) -> None:
        """Count one more fault, and what was found after it."""
        self.tried += 1
        self.lost += bool(what.lost)
        self.doubled += bool(what.doubled)
        self.wrong += bool(what.wrong)
        self.crashed += bool(what.crashed)
        for sentence in (*what.lost, *what.doubled, *what.wrong, *what.crashed):
            if len(self.said) < MOST_SAID:
                self.said.append(f"{self.kind}, {where}: {sentence}")


@dataclass
class Findings:
    """Sentences of what one fault left, by the column they count in."""

    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    crashed: list[str] = field(default_factory=list)
