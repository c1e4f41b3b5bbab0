"""A power cut at any instant loses nothing that was acknowledged and leaves a sound journal.

``python -m tests.bench.survival`` cuts at a thousand instants and more.
"""

from __future__ import annotations

import random

import apsw
import pytest

from collector.journal import connect
from tests.faults.power_cuts import PLANS, Plan, cut, record, spread
from tests.faults.tally import Tally

CUTS = 40


def cut_often(plan: Plan, cuts: int, seed: int) -> Tally:
    """What came of many cuts of one life."""
    life, rng, tally = record(plan), random.Random(seed), Tally(plan.name)
    for at in spread(life, cuts, rng):
        tally.found(cut(life, at, rng), f"step {at} of {len(life.steps)}")
    return tally


@pytest.mark.parametrize("plan", PLANS, ids=[plan.name for plan in PLANS])
def test_nothing_acknowledged_is_lost_at_any_cut(plan: Plan) -> None:
    """At instants spread over opening, commits, deleting, the log brought into the database and
    closing, with unsynced writes dropped, kept or torn: every acknowledged record is there, with
    the facts of its commit, numbers have no holes, the chain is whole, the file is sound and can
    be written to."""
    tally = cut_often(plan, CUTS, 20_260_101)
    assert tally.tried == CUTS
    assert tally.well, tally.said


def test_the_plans_do_what_they_say() -> None:
    """The log is brought into the database again and again, and the limit makes records go."""
    for plan in PLANS[:2]:
        life = record(plan)
        assert sum(step.what == "sync" and step.path.endswith("j") for step in life.steps) > 5
    marks = [step.offset for step in life.steps if step.what == "mark"]
    assert len(marks) > 20
    assert marks == sorted(marks)


def test_the_model_of_the_cut_finds_a_journal_that_does_not_sync(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same life without syncs loses acknowledged records: the tests above can fail."""
    careful = connect.make_durable

    def careless(connection: apsw.Connection, path: object) -> None:
        careful(connection, path)  # type: ignore[arg-type] # as it was called
        connection.pragma("synchronous", 0)

    life_of = PLANS[0]
    monkeypatch.setattr(connect, "make_durable", careless)
    life, rng = record(life_of), random.Random(3)
    monkeypatch.undo()
    found = [cut(life, at, rng) for at in spread(life, 30, rng)]
    assert sum(bool(each.lost or each.wrong or each.crashed) for each in found) > 10
