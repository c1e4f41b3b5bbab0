"""Faults that can be put into the simulated plant, and the script that does so by time.

A script is plain text, one fault a line; ``#`` begins a comment::

    at 1d6h    for 3h    float_stuck     collection.start_1  made
    at 2d      for ever  pump_worn       meadow_pump_1       to=0.6
    at 3d12h5m for 90s   link_dead       meadow

Times count from the start of the simulation and are sums of ``d``, ``h``, ``m`` and ``s``.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from simulator.schedule import DAY_US, HOUR_US, MINUTE_US, SECOND_US


class BadScript(ValueError):
    """A fault script, or a fault asked for, makes no sense; the text is one sentence."""


@dataclass(frozen=True, slots=True)
class FaultKind:
    """What a fault may be put on.

    Args:
        on: ``float``, ``pump``, ``motor``, ``well``, ``panel``, ``link``, ``mains``,
            ``dosing_tank`` or ``filter``.
        options: names of figures it takes, with what stands if none is given.
        words: words it takes, the first standing if none is given.
        means: for the help text.
    """

    on: str
    means: str
    options: dict[str, float] = field(default_factory=dict)
    words: tuple[str, ...] = ()


FAULTS: dict[str, FaultKind] = {
    "float_stuck": FaultKind(
        "float", "its contact no longer moves", words=("as_it_is", "made", "open")
    ),
    "float_chattering": FaultKind("float", "its contact bounces"),
    "float_inverted": FaultKind("float", "its contact says the opposite"),
    "pump_worn": FaultKind("pump", "it gives this share of a new pump's flow", {"to": 0.6}),
    "pump_blocked": FaultKind("pump", "it gives hardly anything", {"to": 0.2}),
    "tripped": FaultKind("motor", "its overload relay has opened"),
    "fails_to_start": FaultKind("motor", "its contactor does not close"),
    "left_in_hand": FaultKind("motor", "its selector stands in hand"),
    "switched_off": FaultKind("motor", "its selector stands in off"),
    "contactor_welded": FaultKind("motor", "its contactor does not open"),
    "check_valve_leaking": FaultKind("well", "the rising main runs back after each stop"),
    "panel_frozen": FaultKind("panel", "its registers stand still while it goes on answering"),
    "replies_slow": FaultKind("panel", "replies come this many seconds late", {"seconds": 2.0}),
    "replies_garbled": FaultKind("panel", "replies arrive damaged"),
    "link_dead": FaultKind("panel", "connections break at once"),
    "link_silent": FaultKind("panel", "connections stand, but nothing is answered"),
    "mains_failed": FaultKind("mains", "no electricity"),
    "dosing_tank_empty": FaultKind("dosing_tank", "it is empty and nobody fills it"),
    "filter_cleaning_endless": FaultKind("filter", "its cleaning cycle does not end"),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault at one place.

    Args:
        kind: a key of ``FAULTS``.
        target: what it is put on.
        options: figures it takes.
        word: word it takes.
    """

    kind: str
    target: str
    options: dict[str, float] = field(default_factory=dict)
    word: str = ""


@dataclass(frozen=True, slots=True)
class ScriptLine:
    """A fault and when it is there, in microseconds from the start; ``until`` None for ever."""

    fault: Fault
    at_us: int
    until_us: int | None
    place: str


def nearest(found: str, names: Iterable[str]) -> str:
    """``; did you mean 'x'?`` or nothing."""
    close = difflib.get_close_matches(found, list(names), n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


_UNITS = {"d": DAY_US, "h": HOUR_US, "m": MINUTE_US, "s": SECOND_US}
_TIME = re.compile(r"(?:\d+(?:\.\d+)?[dhms])+")
_PART = re.compile(r"(\d+(?:\.\d+)?)([dhms])")


def duration_us(text: str) -> int | None:
    """``1d6h30m`` in microseconds, or None where it is no duration."""
    if not _TIME.fullmatch(text):
        return None
    return sum(round(float(number) * _UNITS[unit]) for number, unit in _PART.findall(text))


def parse_fault(kind: str, target: str, extras: Iterable[tuple[str, str]], place: str) -> Fault:
    """A fault from its words.

    Args:
        kind, target: what, and on what; the target is checked when the fault is put in.
        extras: further words, each with the place at which it stands.
        place: where the fault's name stands.

    Raises:
        BadScript: an unknown fault, option or word; the sentence begins with the place.
    """
    known = FAULTS.get(kind)
    if known is None:
        raise BadScript(
            f"{place}: found fault '{kind}', expected one of {', '.join(FAULTS)}"
            f"{nearest(kind, FAULTS)}"
        )
    options = dict(known.options)
    word = known.words[0] if known.words else ""
    for extra, extra_place in extras:
        name, equals, text = extra.partition("=")
        if not equals and name in known.words:
            word = name
        elif equals and name in options:
            options[name] = _figure(text, f"{extra_place}: {name}")
        else:
            allowed = [*known.words, *(f"{name}=<figure>" for name in options)]
            raise BadScript(
                f"{extra_place}: found '{extra}', "
                f"expected {' or '.join(allowed) or 'nothing more'} after {kind} {target}"
                f"{nearest(name, [*known.words, *options])}"
            )
    return Fault(kind, target, options, word)


def _figure(text: str, place: str) -> float:
    try:
        figure = float(text)
    except ValueError:
        figure = -1.0
    if not 0.0 <= figure <= 3600.0:
        raise BadScript(f"{place}: found '{text}', expected a figure from 0 to 3600")
    return figure


def parse_script(text: str, name: str = "script") -> list[ScriptLine]:
    """The lines of a fault script.

    Args:
        text: the script.
        name: file name for messages.

    Raises:
        BadScript: with file, line, column, what was found and what is expected.
    """
    lines = []
    for number, raw in enumerate(text.splitlines(), 1):
        words = [(m.group(), m.start() + 1) for m in re.finditer(r"\S+", raw.partition("#")[0])]
        if words:
            lines.append(_parse_line(words, f"{name}:{number}"))
    return lines


def _parse_line(words: list[tuple[str, int]], place: str) -> ScriptLine:
    shape = "'at <time> for <time or ever> <fault> <target>'"
    if len(words) < 6:
        raise BadScript(f"{place}:{words[0][1]}: found {len(words)} words, expected {shape}")
    for position, keyword in ((0, "at"), (2, "for")):
        word, column = words[position]
        if word != keyword:
            raise BadScript(f"{place}:{column}: found '{word}', expected '{keyword}' of {shape}")
    at_us = _time(words[1], place)
    until_us = None if words[3][0] == "ever" else at_us + _time(words[3], place)
    extras = [(word, f"{place}:{column}") for word, column in words[6:]]
    fault = parse_fault(words[4][0], words[5][0], extras, f"{place}:{words[4][1]}")
    return ScriptLine(fault, at_us, until_us, f"{place}:{words[5][1]}")


def _time(word: tuple[str, int], place: str) -> int:
    text, column = word
    time_us = duration_us(text)
    if time_us is None:
        raise BadScript(
            f"{place}:{column}: found '{text}', expected a time such as 1d6h, 90s or 2.5h"
        )
    return time_us
