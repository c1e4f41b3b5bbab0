"""What a command is: a name, options, and a function from options to an answer.

A command returns data; one place prints it, as text of at most 80 columns or as JSON. Only commands
that go on for a while (``run``, ``demo``, ``loopcheck --watch``) print as they go.
"""

from __future__ import annotations

import argparse
import difflib
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from collector.errors import ExitCode

MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class Answer:
    """What a command found out.

    Args:
        text: for people, lines of at most 80 columns.
        data: the same for programs, JSON values only.
        exit_code: what the shell is told.
    """

    text: str
    data: Any
    exit_code: ExitCode = ExitCode.DONE


@dataclass(frozen=True, slots=True)
class Command:
    """One command of the program.

    Args:
        name: as typed.
        summary: one line of help.
        example: one line that works when typed.
        add_options: declares its options.
        execute: does the work; None where it has printed as it went.
        reads_json: whether it takes ``--json``.
        about: more help, after the options.
    """

    name: str
    summary: str
    example: str
    add_options: Callable[[argparse.ArgumentParser], None]
    execute: Callable[[argparse.Namespace], Answer | None]
    reads_json: bool = True
    about: str = ""


def near(word: str, known: Collection[str]) -> str:
    """What was probably meant, as the end of a sentence; else all there is, if that is short."""
    close = difflib.get_close_matches(word, known, n=1)
    if close:
        return f", did you mean '{close[0]}'?"
    return f"; there are {', '.join(known)}" if 0 < len(known) <= MOST_NAMED else ""
