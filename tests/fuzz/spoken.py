"""What is said over the broker or left in the in-tray, and exports given to be verified."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

from collector.audit.chain import Anchor
from collector.audit.exported import lines_of, verify_lines
from collector.audit.keys import default_key_path, open_signer, public_path, read_public_key
from collector.audit.verdict import Outcome
from collector.core.alarms.action_form import LARGEST_BYTES, read_action
from collector.core.records import ActionTaken
from collector.journal.reader import JournalReader
from tests.fuzz.mutation import PIECES, damaged
from tests.unit.audit.audited_sample import write_sample

GOOD = {
    "id": "a1", "verb": "acknowledge", "about": "collection.high_level", "by": "A. Warden",
    "way": "command line", "said": "2026-07-02T07:00:00+01:00",
}  # fmt: skip
VERBS = ("acknowledge", "shelve", "note", "reading", "hauled", "replaced", "service-done", "x")
NOW_US = 1_782_972_000_000_000


def action_cases(rng: Random, count: int) -> int:
    """Read so many damaged actions; how many were taken."""
    taken = 0
    for _ in range(count):
        body: dict[str, object] = {**GOOD, "verb": rng.choice(VERBS)}
        for _ in range(rng.randint(0, 3)):
            odd: object = rng.choice((*PIECES, 1, -1.5, True, None, [], {}, 1e300, 10**30))
            body[rng.choice((*GOOD, "until", "cause", "value", "meter_reading", "odd"))] = odd
        data = json.dumps(body).encode()
        if rng.random() < 0.6:
            data = damaged(data, rng)
        if rng.random() < 0.01:
            data += b" " * LARGEST_BYTES
        found = read_action(data, NOW_US, 0)
        if isinstance(found, ActionTaken):
            said = json.loads(data)  # only what is JSON with these words may be taken
            assert (said["verb"], said["about"], said["by"]) == (
                found.verb, found.about, found.actor,
            )  # fmt: skip
            taken += 1
        else:
            assert found, "a refusal says why"
            assert "\n" not in found
    return taken


def export_cases(rng: Random, count: int, folder: Path) -> int:
    """Verify so many damaged exports of a real record; how many differ and still count as whole."""
    journal = folder / "weirkeeper.journal"
    signer = open_signer(default_key_path(journal))
    write_sample(journal, signer, 2)
    with JournalReader(journal) as reader:
        entries = reader.chain_entries(0, 10_000)
        header = {"journal": reader.journal_id, "plant": "osier_bend"}
    whole = b"".join(lines_of(header, Anchor(), entries))
    key = read_public_key(public_path(default_key_path(journal)))
    missed = 0
    for _ in range(count):
        data = damaged(whole, rng)
        found = verify_lines(data.splitlines(keepends=True), (key,)).outcome
        missed += data != whole and found is Outcome.WHOLE
    return missed
