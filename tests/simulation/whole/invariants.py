"""What must be so, whatever happened: of the record, of what was published, of what was counted."""

from __future__ import annotations

import asyncio
import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import apsw

from collector.audit.keys import open_signer
from collector.audit.verdict import Outcome
from collector.audit.verify import verify_entries
from collector.core.catalogue import Catalogue
from collector.core.records import Record, RecordKind
from collector.core.runs import RunMeter
from collector.daemon import Daemon
from collector.journal.reader import JournalReader
from collector.outlets.rows import Rows
from collector.outlets.topics import Topics
from simulator.truth import MachineTruth
from tests.simulation.whole.truths import Compared, compare_alarms, compare_volumes
from tests.simulation.whole.world import World, plant_file, rule_files

NUMBER = re.compile(rb'"number":(\d+),"journal":"([0-9a-f]+)"')
ALL = 10_000_000
AUDITED_ALL = 1_000_000
MOST_TASKS = 24


@dataclass
class Findings:
    """What was found.

    Args:
        wrong: sentences; empty if all is as it must be.
        lost, doubled, altered: records that did not arrive, came twice, or came otherwise.
        figures: what was measured besides.
    """

    wrong: list[str] = field(default_factory=list)
    lost: int = 0
    doubled: int = 0
    altered: int = 0
    figures: Counter[str] = field(default_factory=Counter)

    def say(self, sentence: str) -> None:
        """Note something that is not as it must be; of many, the first."""
        if len(self.wrong) < 12:
            self.wrong.append(sentence)


# --- while it still runs --------------------------------------------------------------------------


def check_running(world: World, made: Daemon, found: Findings) -> None:
    """Counted figures against the truth; states of alarms against the record; nothing grown."""
    world.plant.advance_to(world.machine.true_us())
    _check_runs(world, made, found)
    _check_alarms(made, found)
    _note(found, "volumes compared", compare_volumes(world, made))
    loop = world.loop
    assert loop is not None
    tasks = len(asyncio.all_tasks(loop))
    found.figures["most tasks"] = tasks
    if tasks > MOST_TASKS:
        found.say(f"{tasks} tasks run")
    threads = [thread.name for thread in world.threads.alive]
    if len(threads) > 3:
        found.say(f"{len(threads)} threads run: {threads}")
    if len(world.network.open) > 3:
        found.say(f"{len(world.network.open)} connections to panels stand")
    if len(world.broker.clients) > 1:
        found.say(f"{len(world.broker.clients)} connections to the broker stand")


def _ran_within(machine: MachineTruth, begin_us: int, end_us: int) -> int:
    runs = list(machine.intervals)
    if machine.since_us is not None:
        runs.append((machine.since_us, end_us))
    return sum(max(0, min(to, end_us) - max(since, begin_us)) for since, to in runs)


def _check_runs(world: World, made: Daemon, found: Findings) -> None:
    """Run hours and starts within the bounds that are told.

    What passed in a stop whose length nobody could measure is no part of the comparison.
    """
    pipeline, end_us = made.recorder.pipeline, made.clock.now_us()
    true_us = world.machine.true_us()
    known_until_us = pipeline.known_until_us()
    for name, meter in pipeline.engine.components.items():
        if not isinstance(meter, RunMeter):
            continue
        truth = world.plant.truth.machine(name)
        ran_us = truth.run_us(true_us)
        ran_us -= sum(_ran_within(truth, *stop) for stop in world.unmeasured)
        panel = meter.points[0].partition(".")[0]
        read_us = min(known_until_us.get(panel, end_us), end_us)
        counted_us = meter.known_on_until(read_us)
        unknown_us = meter.unknown_until(end_us)
        unknown_us += 0 if meter.running is None else end_us - read_us
        low_us = counted_us - meter.bracket_us
        high_us = counted_us + meter.bracket_us + unknown_us
        found.figures["machines compared"] += 1
        if not low_us <= ran_us <= high_us:
            found.say(
                f"{name} ran {ran_us / 1e6:.3f} s, told are {counted_us / 1e6:.3f} s "
                f"+- {meter.bracket_us / 1e6:.3f} s, unknown {unknown_us / 1e6:.3f} s"
            )
        if meter.starts > truth.starts:
            found.say(f"{name} started {truth.starts} times, told are {meter.starts}")


def _check_alarms(made: Daemon, found: Findings) -> None:
    """Each alarm stands as its newest record says."""
    if made.journal.backlog:
        return
    latest = made.reader.latest((RecordKind.ALARM,))
    for subject, alarm in made.recorder.pipeline.engine.desks.alarms._alarms.items():
        state = alarm.standing.state.value
        record = latest.get((RecordKind.ALARM, subject))
        told = "normal" if record is None else json.loads(str(record.value))["state"]
        found.figures["alarms compared"] += 1
        if state != told:
            found.say(f"the alarm {subject} is {state}, its newest record says {told}")


# --- when it has ended ----------------------------------------------------------------------------


def check_record(world: World, found: Findings) -> None:
    """The journal is sound, its chain whole, its numbers without a hole; and what was published is
    what it says, all of it, and nothing else."""
    database = apsw.Connection(str(world.journal_path))
    said = database.pragma("integrity_check")
    database.close()
    if said != "ok":
        found.say(f"the journal is damaged: {said}")
        return
    with JournalReader(world.journal_path) as reader:
        records = reader.records_after(0, ALL)
        if [record.sequence for record in records] != list(range(1, len(records) + 1)):
            found.say("numbers are missing in the journal")
        if reader.head() < world.committed:
            found.say(f"{world.committed} were committed, the journal ends at {reader.head()}")
        _check_chain(world, reader, records, found)
        _check_actions(world, records, found)
        _note(found, "begins and ends of alarms", compare_alarms(world, records))
        _check_broker(world, reader, records, found)
        _check_store(world, reader, records, found)
    found.figures["records"] = len(records)


def _note(found: Findings, what: str, compared: Compared) -> None:
    found.figures[what] = compared.count
    for sentence in compared.wrong:
        found.say(sentence)


def _check_chain(
    world: World, reader: JournalReader, records: Sequence[Record], found: Findings
) -> None:
    anchor = reader.chain_anchor()
    key = open_signer(world.key_file).verifier
    verdict = verify_entries(
        reader.chain_entries(anchor.number, AUDITED_ALL), reader.journal_id, anchor, [key]
    )
    if verdict.outcome is not Outcome.WHOLE:
        found.say(f"the chain is {verdict.outcome.value}: {verdict.wrong}")
    found.figures["entries of the chain"] = verdict.last


def _check_actions(world: World, records: Sequence[Record], found: Findings) -> None:
    """What people did is on record once; twice nothing is."""
    ids = Counter(
        json.loads(str(record.value)).get("id")
        for record in records
        if record.kind is RecordKind.ACTION
    )
    for identity, way in world.actions.items():
        count = ids[identity]
        answered = world.broker.answers.get(identity, {}).get("number")
        if count > 1:
            found.say(f"the action {identity} is {count} times on record")
        elif not count and (way == "handed in" or answered):
            found.say(f"the action {identity}, {way}, is not on record")
    found.figures["actions"] = len(world.actions)


def _expected(records: Sequence[Record], topics: Topics) -> Iterator[tuple[Record, set[bytes]]]:
    """Each record that belongs on the broker, with what may be said of it."""
    for record in records:
        tail = topics.state_tail(record)
        if tail is not None:
            yield record, {topics.now(record, tail).payload}
            continue
        tail = topics.event_tail(record)
        if tail is not None:
            yield record, {topics.event(record, tail, late=False).payload}


def _check_broker(
    world: World, reader: JournalReader, records: Sequence[Record], found: Findings
) -> None:
    plant = plant_file(world.stretch).plant
    topics = Topics("weirkeeper", plant, Catalogue(plant), reader.journal_id,
                    rule_files(world.stretch).subjects)  # fmt: skip
    wanted = {record.sequence: bodies for record, bodies in _expected(records, topics)}
    taken: Counter[int] = Counter()
    for one in world.broker.log:
        numbered = NUMBER.search(one.payload)
        if numbered is None or "/answer/" in one.topic:
            continue
        number = int(numbered[1])
        if one.payload not in wanted.get(number, ()):
            found.altered += 1
            found.say(f"{one.topic} said {one.payload!r}, the journal has no such record {number}")
        if one.code == 0:
            taken[number] += 1
    refused = {each.sequence for each in reader.quarantined("mqtt", ALL)}
    missing = sorted(wanted.keys() - taken.keys() - refused)
    found.lost += len(missing)
    found.doubled += sum(count - 1 for count in taken.values())
    found.figures["records for the broker"] = len(wanted)
    if missing:
        found.say(f"{len(missing)} records never arrived at the broker, the first is {missing[0]}")
    for subject, record in _newest_states(records, topics).items():
        retained = world.broker.retained.get(f"weirkeeper/osier_bend/now/{subject}")
        if retained != topics.now(record, subject).payload:
            found.say(f"of {subject} the broker retains {retained!r}, record {record.sequence} "
                      "is newer")  # fmt: skip


def _newest_states(records: Sequence[Record], topics: Topics) -> dict[str, Record]:
    newest: dict[str, Record] = {}
    for record in records:
        tail = topics.state_tail(record)
        if tail is not None and topics.has_present(record):
            newest[tail] = record
    return newest


def _check_store(
    world: World, reader: JournalReader, records: Sequence[Record], found: Findings
) -> None:
    plant = plant_file(world.stretch).plant
    rows = Rows(plant, Catalogue(plant))
    refused = {each.sequence for each in reader.quarantined("store", ALL)}
    missing = 0
    for record in records:
        line = rows.line(record)
        if not line:
            continue
        found.figures["records for the store"] += 1
        there = world.store.rows.get(record.sequence)
        if there is None and record.sequence not in refused:
            missing += 1
            if missing == 1:
                found.say(f"record {record.sequence} never arrived at the store")
        elif there is not None and there != line:
            found.altered += 1
            found.say(f"the store has {there!r} instead of {line!r}")
    if world.store.changed:
        number, before, after = world.store.changed[0]
        found.say(f"record {number} was written as {before!r} and as {after!r}")
    found.lost += missing
    found.doubled += world.store.counts["doubled"]
