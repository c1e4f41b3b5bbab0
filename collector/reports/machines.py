"""The machines that were and are in each place, with what each has run, and how often they failed.

What a machine has run is told by the engine under its serial number (``machine_hours``); the newest
figure about a number counts. When machines came is in the logbook, or, for a number that only the
plant file told, when its figure was told first.

A failure of a machine is a time in which an alarm about its fault contact or about its not starting
stood: alarms that overlap are one failure. What was suppressed by design (the supply had failed,
say) is no failure of the machine.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from collector.core.alarms.rule import AlarmRule
from collector.core.alarms.states import RAISED, State
from collector.core.process.machine_hours import MACHINE
from collector.core.records import RecordKind
from collector.journal.reader import JournalReader
from collector.plant.equipment import DosingPump, Machine
from collector.plant.model import Plant
from collector.reports.alarm_history import Wanted, read_history
from collector.reports.alarm_rows import Activation
from collector.reports.eras import ALL, EVER_US, Eras, read_eras
from collector.reports.logbook import read_entries
from collector.reports.reliability import Reliability, reliability
from collector.reports.totals import read_totals
from collector.units import UNITS

FAILURES = ("in_fault", "failed_to_start", "does_not_dose")
"""Findings that say that a machine does not do its work."""
HOUR_US = 3_600_000_000


# --- what each has run --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MachineLine:
    """One machine.

    Args:
        equipment: the place.
        serial: its serial number.
        from_utc_us: when it came; None where only the plant file tells of it.
        to_utc_us: when another took its place; None while it is there.
        hours, low, high: what it has run, h; None where nothing is known, or of no bound.
        quality, reason: of that figure.
    """

    equipment: str
    serial: str
    from_utc_us: int | None
    to_utc_us: int | None
    hours: float | None = None
    low: float | None = None
    high: float | None = None
    quality: str = "bad"
    reason: str = ""


def read_machines(reader: JournalReader, plant: Plant) -> list[MachineLine]:
    """All machines of which a serial number is known, by place and in the order they came."""
    came: dict[str, list[tuple[int, str]]] = {}
    void: set[tuple[str, str]] = set()
    for entry in read_entries(reader):
        if entry.verb == "replaced":
            serial = str(entry.details.get("serial_number", ""))
            if entry.void:
                void.add((entry.about, serial))
            else:
                came.setdefault(entry.about, []).append((entry.done_utc_us, serial))
    eras = read_eras(reader)
    found: list[MachineLine] = []
    for name, part in plant.equipment.items():
        if isinstance(part, Machine):
            wrong = {serial for about, serial in void if about == name}
            found += _machines_of(reader, eras, name, came.get(name, []), wrong, part.serial_number)
    return found


def _machines_of(
    reader: JournalReader, eras: Eras, name: str, came: list[tuple[int, str]], wrong: set[str],
    filed: str | None,
) -> list[MachineLine]:  # fmt: skip
    """Those of one place; ``wrong`` are numbers that were entered by mistake."""
    figures: dict[str, MachineLine] = {}
    told_first: dict[str, int] = {}
    for record in reader.history(f"{name}.machine_hours", -EVER_US, EVER_US, ALL):
        if record.kind is not RecordKind.DERIVED or not isinstance(record.value, float):
            continue
        serial, _, why = record.reason.removeprefix(MACHINE).partition("; ")
        told_first.setdefault(serial, eras.wall_us(record.at_us))
        hours, low, high = (
            None if each is None else UNITS["h"].from_si(each)
            for each in (record.value, record.low, record.high)
        )
        figures[serial] = MachineLine(
            name, serial, None, None, hours, low, high, record.quality.word, why
        )
    entered = {serial for _, serial in came}
    if filed is not None and filed not in figures and not came:
        figures[filed] = MachineLine(name, filed, None, None)
    by_file = [serial for serial in figures if serial not in entered | wrong]
    stays = sorted(
        [*came, *((told_first.get(serial, 0), serial) for serial in by_file)],
        key=lambda each: each[0],
    )
    ends: list[int | None] = [*(at_us for at_us, _ in stays[1:]), *([None] if stays else [])]
    return [
        replace(
            figures.get(serial, MachineLine(name, serial, None, None)),
            from_utc_us=at_us if serial in entered else None, to_utc_us=end_us,
        )
        for (at_us, serial), end_us in zip(stays, ends, strict=True)
    ]  # fmt: skip


# --- how often each failed ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ReliabilityLine:
    """How a place's machines did their work in a time.

    Args:
        equipment: the place.
        figures: run hours, failures and what follows from them.
        alarms: rules whose alarms count as failures; where there are none nothing is known.
        unknown_h: time within failures in which nobody knew whether they lasted.
        operating_low_h, operating_high_h: bounds of the run hours, None where there is none.
    """

    equipment: str
    figures: Reliability
    alarms: tuple[str, ...]
    unknown_h: float
    operating_low_h: float
    operating_high_h: float | None


def failure_alarms(plant: Plant, rules: Sequence[AlarmRule]) -> dict[str, tuple[str, ...]]:
    """For each machine the alarms, as ``equipment.rule``, that say that it failed."""
    found: dict[str, tuple[str, ...]] = {}
    for name, part in plant.equipment.items():
        if isinstance(part, Machine | DosingPump):
            facts = {f"{name}.{finding}" for finding in FAILURES} | {part.fault}
            found[name] = tuple(
                rule.subject
                for rule in rules
                if rule.subject.partition(".")[0] == name and facts & set(rule.condition.facts)
            )
    return found


def read_reliability(
    reader: JournalReader,
    plant: Plant,
    rules: Sequence[AlarmRule],
    from_utc_us: int,
    to_utc_us: int,
    only: Collection[str] = (),
) -> list[ReliabilityLine]:
    """How the machines did their work in whole plant days.

    Args:
        reader: of the journal.
        plant: in force.
        rules: of alarms, in force.
        from_utc_us, to_utc_us: begin and end, both of a plant day.
        only: these machines, none for all.
    """
    alarms = failure_alarms(plant, rules)
    wanted = Wanted(subjects=frozenset(subject for each in alarms.values() for subject in each))
    past: tuple[Activation, ...] = ()
    if wanted.subjects:
        past = read_history(reader, from_utc_us, to_utc_us, wanted).activations
    totals = read_totals(
        reader, read_eras(reader), "day", from_utc_us, to_utc_us, ("run_hours",), tuple(alarms)
    )
    found = []
    for name, subjects in alarms.items():
        days = [line for line in totals if line.equipment == name]
        if (only and name not in only) or not days:
            continue
        mine = [each for each in past if each.equipment == name]
        failures, repair_h, unknown_h = failures_of(mine, from_utc_us, to_utc_us)
        highs = [line.high for line in days]
        found.append(
            ReliabilityLine(
                name, reliability(sum(line.value or 0.0 for line in days), failures, repair_h),
                tuple(subject.partition(".")[2] for subject in subjects), unknown_h,
                sum(line.low or 0.0 for line in days),
                None if None in highs else sum(high for high in highs if high is not None),
            )
        )  # fmt: skip
    return found


def failures_of(
    activations: Sequence[Activation], from_utc_us: int, to_utc_us: int
) -> tuple[int, float, float]:
    """Failures that began in a time, and the hours that machine was failed in it.

    Returns:
        how many began; hours for which it is known to have lasted; hours of which nobody knew.
    """
    spans: list[list[int]] = []
    unknown: list[tuple[int, int]] = []
    for each in sorted(activations, key=lambda one: one.began_utc_us):
        first = next((step for step in each.steps if step.happening == RAISED), None)
        if first is not None and first.state == State.SUPPRESSED.value:
            continue
        end_us = to_utc_us if each.ended_utc_us is None else each.ended_utc_us
        unknown += each.unknown_spans
        if spans and each.began_utc_us <= spans[-1][1]:
            spans[-1][1] = max(spans[-1][1], end_us)
        else:
            spans.append([each.began_utc_us, end_us])
    whole_us = sum(max(0, min(e, to_utc_us) - max(b, from_utc_us)) for b, e in spans)
    hidden_us, reached_us = 0, from_utc_us
    for begin_us, end_us in sorted(unknown):
        hidden_us += max(0, min(end_us, to_utc_us) - max(begin_us, reached_us))
        reached_us = max(reached_us, end_us)
    began = sum(from_utc_us <= begin_us < to_utc_us for begin_us, _ in spans)
    hidden_us = min(hidden_us, whole_us)
    return began, (whole_us - hidden_us) / HOUR_US, hidden_us / HOUR_US
