"""Where a start finds the plant: plant time and pipeline as an earlier process left them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from collector.clock import Clock, SystemClock
from collector.core.desks import NO_RULES, Rules
from collector.core.pipeline import REPLAYED_KINDS, Pipeline
from collector.core.records import Record, RecordKind
from collector.core.scans import Read
from collector.core.timeline import Continuation, continue_plant_time
from collector.journal.items import Alive
from collector.journal.reader import JournalReader
from collector.journal.salvage.telling import REPLACED, RESTORED
from collector.plant.model import Plant

PAGE = 2_000
MOST_REPLAYED = 200_000
"""Records from which a lost state is derived again: some seconds of work."""


@dataclass(slots=True)
class Found:
    """What a start begins with.

    Args:
        clock: plant time, continued.
        pipeline: the pipeline, continued.
        records: what has to be committed about the stop between.
        stop_known: whether the length of the stop could be believed.
        unusable: components whose kept state could not be used.
    """

    clock: Clock
    pipeline: Pipeline
    records: list[Record] = field(default_factory=list)
    stop_known: bool = True
    unusable: list[str] = field(default_factory=list)


def continue_from(
    reader: JournalReader,
    plant: Plant,
    plans: Mapping[str, Sequence[Read]],
    given_clock: Clock | None,
    rules: Rules = NO_RULES,
) -> Found:
    """Continue from what the journal holds; begin at the wall clock in an empty one.

    Args:
        reader: of the journal.
        plant, plans: what is watched from now on.
        given_clock: plant time where it is known already; it then runs on, whatever the wall
            clock says.
        rules: of alarms and service, bound to the plant.
    """
    wall_us = (given_clock or SystemClock()).wall_us()
    alive = reader.alive()
    newest = reader.recent(1)
    if alive is None:
        moved = Continuation(wall_us, 0, 0, True)
    elif given_clock is not None:
        moved = Continuation(given_clock.now_us(), _offset_us(newest, alive), 0, True)
    else:
        last_us = max(alive.at_us, newest[0].at_us if newest else 0)
        wall_then_us = last_us + alive.utc_us - alive.at_us
        moved = continue_plant_time(last_us, wall_then_us, wall_us, _offset_us(newest, alive))
    clock = given_clock or SystemClock(moved.start_us)
    now_us = clock.now_us()
    pipeline = Pipeline(plant, plans, now_us, moved.offset_us, rules=rules)
    found = Found(clock, pipeline, stop_known=moved.length_known)
    if not moved.length_known:
        found.records += pipeline.step_clock(now_us, moved.step_us, moved.offset_us, False)
    state = reader.state()
    if alive is None:
        return found
    if state is None and _was_replaced(reader):
        state = _anew(reader, plant, plans, rules)
    if state is not None:
        sequence, saved = state
        # In a journal that was salvaged, what comes after a loss cannot be replayed: the last sign
        # of life was set before it.
        since = [r for r in _replayed_after(reader, sequence) if r.at_us <= alive.at_us]
        try:
            resumed, found.unusable = pipeline.resume(
                saved, since, alive.panels, alive.at_us, now_us
            )
        except (ValueError, LookupError, TypeError, AttributeError):
            found.pipeline = Pipeline(plant, plans, now_us, moved.offset_us, rules=rules)
            found.unusable = ["all that is derived"]
            return found
        found.records += resumed
    return found


def _was_replaced(reader: JournalReader) -> bool:
    told = reader.latest((RecordKind.COLLECTOR,))
    return any((RecordKind.COLLECTOR, subject) in told for subject in (REPLACED, RESTORED))


def _anew(
    reader: JournalReader, plant: Plant, plans: Mapping[str, Sequence[Read]], rules: Rules
) -> tuple[int, str] | None:
    """A state before the first of the newest records, where the kept one is lost.

    What was counted before them is lost with it.
    """
    first = reader.recent(MOST_REPLAYED)[-1:]
    if not first:
        return None
    at_us, offset_us = first[0].at_us, first[0].utc_us - first[0].at_us
    fresh = Pipeline(plant, plans, at_us, offset_us, rules=rules)
    return first[0].sequence - 1, fresh.save()


def _offset_us(newest: Sequence[Record], alive: Alive) -> int:
    """Wall time minus plant time as records are dated by it."""
    dated: Record | Alive = newest[0] if newest else alive
    return dated.utc_us - dated.at_us


def _replayed_after(reader: JournalReader, sequence: int) -> list[Record]:
    found: list[Record] = []
    while page := reader.records_after(sequence, PAGE, REPLAYED_KINDS):
        found += page
        sequence = page[-1].sequence
    return found


def boot_id() -> str:
    """Identity of this run of the machine's kernel; empty where the kernel does not tell."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
