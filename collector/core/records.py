"""What the stages hand to each other, and the one record the journal keeps of it.

Plant time (``_us``, see ``clock.py``) comes with every item; nothing here reads a clock. A change
carries its bracket: the last instant at which the old value was still seen (``after_us``) and the
first at which the new one was (``by_us``). The truth lies between.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum

Value = bool | int | float | str | None


class Quality(IntEnum):
    """How far a value may be believed."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2

    @property
    def word(self) -> str:
        """The word people and other programs read."""
        return ("good", "uncertain", "bad")[self]


# Reasons for a quality other than good. Exceptions of the panel read "exception 02".
LINK_LOST = "link lost"
NOT_YET_READ = "not yet read"
OUT_OF_RANGE = "out of range"
FROZEN = "panel frozen"
NO_VALUE = "panel says no value"
COLLECTOR_STOPPED = "collector stopped"
JOURNAL_FULL = "journal full"
AWAY = "panel away"

RECOMPUTED = "recomputed"
"""Begin of the reason of a total that was derived again later from the same inputs."""


# --- what the engine is told --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PointChanged:
    """A point has a new value, a new quality, or both.

    Args:
        point: ``panel.point``.
        value: contact bool, enumeration int, reading or counter float in SI; None when bad.
        quality, reason: how far to believe it, and why not.
        after_us: last plant time at which the value before was still true.
        by_us: first plant time at which this one was; equal to ``after_us`` if nothing is known.
    """

    point: str
    value: Value
    quality: Quality
    reason: str
    after_us: int
    by_us: int


@dataclass(frozen=True, slots=True)
class PanelLost:
    """Nothing of this panel is known after ``last_good_us``; noticed at ``by_us``."""

    panel: str
    reason: str
    last_good_us: int
    by_us: int


@dataclass(frozen=True, slots=True)
class PanelReturned:
    """The panel answers again from ``by_us``.

    Comes after the changes found on the return: points not among them are as they were before.
    """

    panel: str
    by_us: int


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The wall clock moved by ``step_us`` against plant time; stamps use ``offset_us`` from here.

    Args:
        offset_us: wall time minus plant time from now on.
        length_known: False where a stop of unknown length lies at this instant.
    """

    by_us: int
    step_us: int
    offset_us: int
    length_known: bool = True


@dataclass(frozen=True, slots=True)
class Tick:
    """Nothing but time has passed; sent when ``Engine.next_deadline_us`` comes.

    Args:
        known_until_us: for each panel that answers, the plant time up to which its points are
            known; figures told at a tick claim nothing beyond it.
    """

    by_us: int
    known_until_us: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ActionTaken:
    """A person did something, and said so; ``core/alarms/actions.py`` says what there is.

    Args:
        about: ``equipment.rule`` of an alarm, a piece of equipment, or ``plant``.
        verb: what was done.
        by_us: plant time at which the collector was told.
        actor: who, as they called themselves or as a broker knows them.
        details: what belongs to it, among it ``id`` (unique), ``way`` (how it came), ``said``
            (RFC 3339, when it was said), ``refused`` (why it has no effect, if so).
    """

    about: str
    verb: str
    by_us: int
    actor: str
    details: Mapping[str, Value] = field(default_factory=dict)


Input = PointChanged | PanelLost | PanelReturned | ClockStepped | Tick | ActionTaken


# --- what the engine concludes ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Derived:
    """A quantity of a piece of equipment has this value from ``at_us`` on.

    Args:
        subject: ``equipment.quantity``; the quantity and its unit stand in ``core/quantities.py``.
        value: in SI, or a state word.
        low, high: bounds of the truth, or None where the value has none.
    """

    subject: str
    value: Value
    quality: Quality
    at_us: int
    low: float | None = None
    high: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """Something happened to a piece of equipment between ``after_us`` and ``by_us``.

    Args:
        subject: ``equipment.event``, the event in the past tense (``eq_pump_1.started``).
        value: a figure that belongs to it (the length of the run that ended, in s), or None.
    """

    subject: str
    after_us: int
    by_us: int
    value: Value = None
    quality: Quality = Quality.GOOD
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Total:
    """How much of a quantity a period of the plant's calendar saw.

    Args:
        subject: ``equipment.quantity.period``, the period ``hour``, ``day`` or ``month``.
        from_us, to_us: the plant time it covers.
        value: the known part, in SI; for ``quantity_least`` and ``quantity_greatest`` the extreme.
        low, high: bounds of the truth, or None where there is none.
        quality, reason: uncertain where not all of the period is known; the reason says how much.
    """

    subject: str
    from_us: int
    to_us: int
    value: float | None
    low: float | None
    high: float | None
    quality: Quality = Quality.GOOD
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """A diagnosis in words that begins to hold or has ceased to.

    Args:
        subject: ``equipment.what``.
        standing: True while it holds, False when it no longer does.
        after_us: since when it holds (or has ceased to).
        by_us: when that was concluded.
        text: the diagnosis with its evidence; empty when it has ceased.
        earliest_us: before which it cannot have begun (or ceased), where ``after_us`` is but the
            likeliest instant; None where it is ``after_us`` itself.
    """

    subject: str
    standing: bool
    after_us: int
    by_us: int
    text: str
    quality: Quality = Quality.GOOD
    earliest_us: int | None = None


@dataclass(frozen=True, slots=True)
class AlarmMoved:
    """An alarm went from one state to another, or what stands of it became unknown or known.

    Args:
        subject: ``equipment.rule``.
        state: the state it is in now, in the words of ``core/alarms/states.py``.
        happening: what moved it there, in the words of the same file.
        after_us: earliest plant time at which what moved it may have been true.
        by_us: plant time at which it moved.
        activation: counts the activations of this alarm since the journal began; 0 before any.
        quality: bad while an input of its condition is unknown.
        details: what belongs to it: ``priority``, ``title``, ``first_out``, ``actor``, ``reason``
            and so on.
    """

    subject: str
    state: str
    happening: str
    after_us: int
    by_us: int
    activation: int
    quality: Quality = Quality.GOOD
    details: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class HeadWanted:
    """A plant day has ended: the head of the audited record is to be signed.

    Args:
        day: the day that ended, as ``2026-07-01``.
        by_us: plant time of this instant.
    """

    day: str
    by_us: int

    @property
    def subject(self) -> str:
        """Under which its record stands."""
        return "head"


@dataclass(frozen=True, slots=True)
class ServiceMoved:
    """A task of service stands so from ``by_us`` on.

    Args:
        subject: ``equipment.task``.
        state: a word of ``core/service/desk.py``.
        details: use, interval, dates, and why.
    """

    subject: str
    state: str
    by_us: int
    quality: Quality = Quality.GOOD
    details: Mapping[str, Value] = field(default_factory=dict)


Output = Derived | Event | Total | Finding | AlarmMoved | HeadWanted | ServiceMoved


# --- what the journal keeps ---------------------------------------------------------------------


class RecordKind(IntEnum):
    """Kinds of journal records; the numbers are on disk and never change their meaning."""

    POINT = 1
    PANEL_LOST = 2
    PANEL_RETURNED = 3
    CLOCK = 4
    DERIVED = 5
    EVENT = 6
    CONFIGURATION = 7
    COLLECTOR = 8
    TOTAL = 9
    FINDING = 10
    ALARM = 11
    ACTION = 12
    HEAD = 13
    SERVICE = 14
    NOTICE = 15

    @property
    def word(self) -> str:
        """The word people and other programs read."""
        return self.name.lower().replace("_", "-")


@dataclass(frozen=True, slots=True)
class Record:
    """One line of the journal.

    Args:
        kind: what kind of record.
        subject: ``panel.point``, ``panel``, ``equipment.quantity``, ``equipment.event``,
            ``equipment.quantity.period``, ``equipment.finding``, a file name (configuration) or
            ``collector``.
        at_us: plant time at which it was known; records are in its order.
        utc_us: the same instant as people date it.
        after_us: begin of the bracket, or ``at_us`` where there is none; of a total the begin of
            its period, of a finding since when it holds.
        value: the value, SI; None when unknown. Of a finding its text, None when it has ceased; of
            an alarm or action the rest of it as JSON; of a head its JSON, filled in on writing.
        quality, reason: how far to believe it, and why not.
        low, high: bounds of the value, or None.
        sequence: journal number; 0 until committed.
    """

    kind: RecordKind
    subject: str
    at_us: int
    utc_us: int
    after_us: int
    value: Value = None
    quality: Quality = Quality.GOOD
    reason: str = ""
    low: float | None = None
    high: float | None = None
    sequence: int = 0

    @property
    def recomputed(self) -> bool:
        """Whether it is a total derived again; it supersedes those before it of its period."""
        return self.kind is RecordKind.TOTAL and self.reason.startswith(RECOMPUTED)
