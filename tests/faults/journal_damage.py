"""Damaged journals: one whole journal of a watched plant, ways to damage it, and what came of it.

The original is read by Python's own ``sqlite3``, a SQLite of another build with no code of this
project between; what a salvaged journal holds is compared with that, record by record.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

from collector.audit.chain import AUDITED
from collector.audit.keys import Signer, open_signer
from collector.audit.verdict import Outcome
from collector.audit.verify import verify_entries
from collector.continuation import continue_from
from collector.core.pipeline import Pipeline
from collector.core.records import Record, RecordKind
from collector.errors import WeirkeeperError
from collector.journal import Journal, JournalReader
from collector.journal.items import Alive
from collector.journal.salvage.opening import damaged_files, mark_suspect, open_or_replace
from collector.links.planning import plan_panel
from collector.plant_file import PlantFile, read_plant_file
from collector.rule_files import RuleFiles, read_rule_files
from collector.settings import RulesSettings
from collector.virtual import run_virtually
from simulator.plant import OsierBend
from tests.faults.journal_damages import FAULTS, NAME, Files

ROOT = Path(__file__).parents[2]
PLANT = ROOT / "config" / "osier-bend" / "plant.yaml"
BEGIN_US = int(datetime(2026, 7, 4, 21, tzinfo=UTC).timestamp()) * 1_000_000
HOUR_US = 3_600_000_000
LATER_US = BEGIN_US + 7 * HOUR_US
OUTLETS = ("mqtt", "store")

READ = """
SELECT r.sequence, s.kind, s.name, r.at_us, r.bracket_us, r.marks, r.value,
       CASE typeof(r.reason) WHEN 'integer' THEN (SELECT text FROM reason WHERE id = r.reason)
                             ELSE r.reason END,
       r.low, r.high,
       (SELECT offset_us FROM era WHERE first_sequence <= r.sequence
        ORDER BY first_sequence DESC LIMIT 1)
FROM record r JOIN subject s ON s.id = r.subject
"""
Row = tuple[Any, ...]


class StandingClock:
    """Stands at the instant of the start."""

    def now_us(self) -> int:
        """Plant time."""
        return LATER_US

    def wall_us(self) -> int:
        """UTC."""
        return LATER_US

    async def sleep_until(self, at_us: int) -> None:
        """Nobody waits here."""


@dataclass(slots=True)
class Original:
    """A whole journal as its two files, and what it holds.

    Args:
        database, log: their bytes; ``older_log`` is of the same journal a little earlier.
        rows: records by sequence, as ``sqlite3`` reads them.
        entries: how many the chain has.
        cursors: what outlets had delivered.
        journal_id: of it.
        signer: of its heads.
        plant_file, rules: what it was made with.
        holder: its lock file, which says how far it had got.
    """

    database: bytes
    log: bytes
    older_log: bytes
    rows: dict[int, Row]
    entries: int
    cursors: dict[str, int]
    journal_id: str
    signer: Signer
    plant_file: PlantFile
    rules: RuleFiles
    holder: bytes

    @property
    def head(self) -> int:
        """The newest sequence."""
        return max(self.rows)


def make_original(folder: Path, hours: float = 4.0) -> Original:
    """Watch the example plant for some virtual hours; the last of them stand in the log alone."""
    plant_file = read_plant_file(PLANT)
    plant = plant_file.plant
    rules = read_rule_files(RulesSettings().paths, plant)
    signer = open_signer(folder / "key")
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    pipeline = Pipeline(plant, plans, BEGIN_US, rules=rules)
    simulated = OsierBend(3, BEGIN_US)
    path = folder / NAME
    ends = [BEGIN_US + round(share * hours * HOUR_US) for share in (0.0, 0.8, 0.95, 1.0)]
    logs = []
    for part, (begin_us, end_us) in enumerate(pairwise(ends)):
        if part < 2:
            journal = Journal.open(path, wall_us=lambda: BEGIN_US, outlets=OUTLETS, signer=signer,
                                   commit_period_s=0.0, size_limit_bytes=1 << 30)  # fmt: skip
        if part == 0:
            journal.remember_configuration("plant", plant_file.text, plant_file.hash)
            journal.remember_configuration("rules", rules.text, rules.hash)
            journal.submit([Record(RecordKind.COLLECTOR, "collector.started", BEGIN_US, BEGIN_US,
                                   BEGIN_US, "1")])  # fmt: skip
        waiting: list[Record] = []

        def take(records: list[Record], waiting: list[Record] = waiting,
                 journal: Journal = journal) -> None:  # fmt: skip
            waiting += records
            if len(waiting) >= 40:  # so that there are many commits, as in a real life
                journal.submit(list(waiting))
                journal.flush()
                waiting.clear()

        run_virtually(pipeline, plans, simulated, begin_us, end_us, take)
        alive = Alive(end_us, end_us, "boot", pipeline.known_until_us())
        journal.submit(waiting, state=pipeline.save(), alive=alive)
        journal.flush()
        journal.move_cursor("store", journal.head)
        journal.move_cursor("mqtt", journal.head // 2)
        journal.flush()
        if part == 0:
            journal.close()
        else:
            logs.append(path.with_name(NAME + "-wal").read_bytes())
    taken = folder / "taken"
    taken.mkdir()
    database = path.read_bytes()
    (taken / NAME).write_bytes(database)
    (taken / f"{NAME}-wal").write_bytes(logs[-1])
    journal.close()
    holder = path.with_name(NAME + ".holder").read_bytes()
    rows = read_rows(taken / NAME)
    with JournalReader(taken / NAME) as reader:
        found = Original(
            database, logs[-1], logs[0], rows, len(reader.chain_entries(0, 10**6)),
            {one.outlet: one.delivered for one in reader.cursors()}, reader.journal_id, signer,
            plant_file, rules, holder,
        )  # fmt: skip
    shutil.rmtree(taken)
    return found


def read_rows(path: Path) -> dict[int, Row]:
    """Every record of a journal, by Python's ``sqlite3``."""
    connection = sqlite3.connect(path)
    connection.text_factory = lambda data: data.decode(errors="replace")
    try:
        return {row[0]: row[1:] for row in connection.execute(READ)}
    finally:
        connection.close()


# --- ways to damage it ----------------------------------------------------------------------------


# --- what came of it ------------------------------------------------------------------------------
@dataclass(slots=True)
class Met:
    """What a start made of a damaged journal.

    Args:
        fault, seed: which.
        replaced: whether it was set aside.
        kept: of the original's records, how many are there and as they were.
        readable: how many of them ``sqlite3`` could have read from the damaged files.
        lost: how many are not there.
        unseen: records with another value than the original's: a byte of them was altered, and
            nothing in the file shows it.
        in_use: whether the damage was found only while the journal was used.
        told: whether what is lost was told: the journal was replaced and its record says it.
        wrong: sentences about what must not be.
    """

    fault: str
    seed: int
    replaced: bool = False
    kept: int = 0
    readable: int = 0
    lost: int = 0
    unseen: int = 0
    told: bool = True
    in_use: bool = False
    wrong: list[str] = field(default_factory=list)


def meet(original: Original, folder: Path, fault: str, seed: int, *, engine: bool = True) -> Met:
    """Damage a copy of the original, start on it, and judge what is there then.

    Args:
        original: undamaged.
        folder: to work in; it is not there before and after.
        fault, seed: which damage.
        engine: whether the start continues the plant's engine too, which takes most of the time.
    """
    found = Met(fault, seed)
    files = Files(bytearray(original.database), bytearray(original.log))
    FAULTS[fault](files, Random(f"{fault} {seed}"))
    folder.mkdir()
    path = folder / NAME
    for ending, data in {"": files.database, "-wal": files.log}.items():
        if data is not None:
            path.with_name(NAME + ending).write_bytes(data)
    path.with_name(NAME + ".holder").write_bytes(original.holder)
    found.readable = _readable(original, files, folder / "read")
    try:
        _start(original, path, files, found, engine)
    except WeirkeeperError as error:
        found.wrong.append(f"the start failed: {error}")
    except Exception as error:
        found.wrong.append(f"the start crashed: {error!r}")
    shutil.rmtree(folder)
    return found


def _readable(original: Original, files: Files, folder: Path) -> int:
    """How many records are as they were for a program that just reads until an error comes."""
    folder.mkdir()
    path = folder / NAME
    for ending, data in {"": files.database, "-wal": files.log}.items():
        if data is not None:
            path.with_name(NAME + ending).write_bytes(data)
    count = 0
    connection = sqlite3.connect(path)
    try:
        for row in connection.execute(READ + "ORDER BY r.sequence"):
            count += original.rows.get(row[0]) == row[1:]
    except (sqlite3.Error, UnicodeDecodeError, OverflowError):
        pass
    finally:
        connection.close()
    shutil.rmtree(folder)
    return count


def _start(original: Original, path: Path, files: Files, found: Met, engine: bool) -> None:
    """What the daemon does at its start, and one more start."""

    def open_it() -> Journal:
        return Journal.open(path, wall_us=lambda: LATER_US, outlets=OUTLETS,
                            signer=original.signer, commit_period_s=0.0)  # fmt: skip

    journal, replaced = open_or_replace(path, open_it, LATER_US, original.signer)
    found.replaced = replaced is not None
    with journal, JournalReader(path) as reader:
        try:
            _go_on(original, journal, reader, engine)
            damage = False
        except WeirkeeperError as error:
            damage = True
            if replaced is not None or type(error).__name__ != "JournalDamaged":
                raise
    if damage:  # found while it was used: the next start replaces it
        mark_suspect(path, "found in use")
        found.in_use = True
        journal, replaced = open_or_replace(path, open_it, LATER_US, original.signer)
        found.replaced = replaced is not None
        with journal, JournalReader(path) as reader:
            _go_on(original, journal, reader, engine)
    again, twice = open_or_replace(path, open_it, LATER_US, original.signer)
    with again, JournalReader(path) as reader:
        if twice is not None:
            found.wrong.append("the start after that replaced it again")
        _judge(original, path, files, reader, found)


def _go_on(original: Original, journal: Journal, reader: JournalReader, engine: bool) -> None:
    """Continue the engine, and commit as a daemon does at first."""
    started = Record(RecordKind.COLLECTOR, "collector.started", LATER_US, LATER_US, LATER_US, "2")
    if engine:
        plant = original.plant_file.plant
        plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
        going = continue_from(reader, plant, plans, StandingClock(), original.rules)
        alive = Alive(LATER_US, LATER_US, "boot", going.pipeline.known_until_us())
        journal.submit([started, *going.records], state=going.pipeline.save(), alive=alive)
    else:
        journal.submit([started])
    journal.flush()
    sequence = 0
    while page := reader.records_after(sequence, 5_000):  # as an outlet reads
        sequence = page[-1].sequence


def _judge(original: Original, path: Path, files: Files, reader: JournalReader, found: Met) -> None:
    rows = read_rows(path)
    ours = {
        sequence: row
        for sequence, row in rows.items()
        if row[2] < LATER_US and row[1] != "collector.journal_replaced"
    }
    different = [sequence for sequence, row in ours.items() if not _same(original, sequence, row)]
    found.kept = len(ours) - len(different)
    found.lost = len(original.rows) - len(ours)
    found.unseen = len(different)
    later = sorted(set(rows) - set(ours))
    if len(different) > files.altered:
        found.wrong.append(
            f"{len(different)} records are not what they were, {files.altered} bytes were altered: "
            f"{different[0]} is {ours[different[0]]}, was {original.rows.get(different[0])}"
        )
    told = reader.latest((RecordKind.COLLECTOR,)).get(
        (RecordKind.COLLECTOR, "collector.journal_replaced")
    )
    if found.replaced:
        aside = damaged_files(path)
        if told is None:
            found.wrong.append("the record does not tell that it was replaced")
        if not aside:
            found.wrong.append("no damaged file lies beside it")
        else:
            stem = aside[0].with_name(aside[0].name.removesuffix("-wal"))
            kept = {} if found.in_use else {"": files.database, "-wal": files.log}
            for ending, data in kept.items():
                file = stem.with_name(stem.name + ending)
                if data is not None and (not file.exists() or file.read_bytes() != data):
                    found.wrong.append(f"the damaged file {file.name} is not what it was")
        _judge_cursors(original, reader, ours, found)
    same_id = reader.journal_id == original.journal_id
    if same_id and later[0] <= original.head:
        found.wrong.append(f"number {later[0]} is used again")
    if same_id and found.replaced and not found.in_use and later[0] < 10**8:
        found.wrong.append(f"new records are numbered from {later[0]} on")
    found.told = found.lost == 0 or told is not None
    _judge_chain(original, reader, found)


def _judge_cursors(
    original: Original, reader: JournalReader, ours: Mapping[int, Row], found: Met
) -> None:
    """No outlet skips a record that is there and that it had not confirmed."""
    for outlet, delivered in original.cursors.items():
        cursor = reader.cursor(outlet)
        skipped = [one for one in ours if delivered < one <= cursor.delivered]
        if skipped:
            found.wrong.append(f"{outlet} skips {len(skipped)} records from {skipped[0]} on")
    if reader.cursor("mqtt").delivered > original.head and not found.lost:
        found.wrong.append("mqtt has an end it never reached")


def _judge_chain(original: Original, reader: JournalReader, found: Met) -> None:
    verdict = verify_entries(
        reader.chain_entries(0, 10**6), reader.journal_id, reader.chain_anchor(),
        [original.signer.verifier], (), reader.newest_audited(), reader.chain_breaks(),
    )  # fmt: skip
    same_id = reader.journal_id == original.journal_id
    allowed = {Outcome.BROKEN, Outcome.WHOLE} if found.replaced else {Outcome.WHOLE}
    if verdict.outcome not in allowed and same_id:
        found.wrong.append(f"verify says {verdict.outcome}: {verdict.wrong}")


def _same(original: Original, sequence: int, row: Row) -> bool:
    """Whether a record is what it was; one put back from the chain may write its JSON otherwise."""
    before = original.rows.get(sequence)
    if before is not None and str(row[6]).endswith("lost with a damaged journal"):
        row = (*row[:6], before[6], *row[7:])  # it says itself that it is lost
    if before == row or before is None:
        return before == row
    if RecordKind(before[0]) not in AUDITED or not isinstance(row[5], str):
        return False
    try:
        return [*before[:5], json.loads(before[5]), *before[6:]] == [
            *row[:5], json.loads(row[5]), *row[6:]]  # fmt: skip
    except (ValueError, TypeError):
        return False
