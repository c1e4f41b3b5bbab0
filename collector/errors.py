"""Every error this program raises on purpose, and the exit code that goes with it.

    WeirkeeperError
    ├── CommandLineError     an option is right in form but cannot be meant   exit 2
    ├── ConfigurationError   a file, setting or option is wrong          exit 3
    ├── JournalError         the journal cannot be opened, read, written  exit 4
    │   ├── JournalHeld          another process holds it
    │   ├── JournalFull          no room on the disk (retried, not fatal)
    │   └── JournalDamaged       the integrity check failed
    ├── LinkError            a panel could not be read                    exit 5
    ├── OutletError          a broker or store could not be reached       exit 5
    └── Bug                  our own mistake                              exit 70

Foreign exceptions are translated once, where the foreign library is called, with the cause chained.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """What the process tells the shell (documented in README.md)."""

    DONE = 0
    ANSWER_IS_NO = 1
    USAGE = 2
    CONFIGURATION = 3
    JOURNAL = 4
    UNREACHABLE = 5
    BUG = 70


class WeirkeeperError(Exception):
    """Root of all deliberate errors; its text is one plain sentence for the screen."""

    exit_code: ExitCode = ExitCode.BUG


class CommandLineError(WeirkeeperError):
    """An option names what is not there, or options contradict each other."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with an input file, placed where a person will look for it.

    Args:
        file: path as the user gave it.
        line: one-based line, or None where the file as a whole is meant.
        column: one-based column, or None.
        where: dotted path of keys inside the file, for instance ``panels.works.points.p1_run``.
        found: what stands there, in the user's own words.
        expected: what would be right there.
        nearest: the closest valid name, or None.
    """

    file: str
    line: int | None
    column: int | None
    where: str
    found: str
    expected: str
    nearest: str | None = None

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f":{self.line}"
            if self.column is not None:
                place += f":{self.column}"
        where = f"{self.where}: " if self.where else ""
        hint = f"; did you mean '{self.nearest}'?" if self.nearest else ""
        return f"{place}: {where}found {self.found}, expected {self.expected}{hint}"


class ConfigurationError(WeirkeeperError):
    """One or more problems in files, settings or options; all of them at once."""

    exit_code = ExitCode.CONFIGURATION

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class JournalError(WeirkeeperError):
    """The journal cannot be opened, read or written."""

    exit_code = ExitCode.JOURNAL


class JournalHeld(JournalError):
    """Another process writes this journal."""


class JournalFull(JournalError):
    """No room on the disk (or at the configured size); writing is tried again."""


class JournalDamaged(JournalError):
    """The journal's integrity check failed.

    Args:
        text: the sentence for the screen.
        found: what is wrong, in the words of whoever found it.
    """

    def __init__(self, text: str, found: str = "") -> None:
        super().__init__(text)
        self.found = found or text


class LinkError(WeirkeeperError):
    """A panel could not be read."""

    exit_code = ExitCode.UNREACHABLE


class OutletError(WeirkeeperError):
    """A broker or a store could not be reached or refused us."""

    exit_code = ExitCode.UNREACHABLE


class Bug(WeirkeeperError):
    """Our own mistake; the log carries the traceback."""

    exit_code = ExitCode.BUG
