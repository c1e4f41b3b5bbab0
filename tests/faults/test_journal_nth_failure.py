"""Every single call of a journal's life to its disk fails once, or from then on.

The journal says so, keeps what was acknowledged, and goes on with a disk that works. Here every
so many-eth call is failed; ``python -m tests.bench.survival`` fails them all.
"""

from __future__ import annotations

from collections.abc import Callable

import apsw
import pytest

from collector.journal.ledger import Batch, Ledger
from tests.faults.journal_operations import FAULTS, OPERATIONS, Fault, Operation, fail_each
from tests.faults.tally import Tally

CLOSELY, WIDELY = 5, 37


def strides() -> list[tuple[Operation, int]]:
    """The short operations closely, the long ones widely; so the suite stays short."""
    return [(each, CLOSELY if place < 3 else WIDELY) for place, each in enumerate(OPERATIONS)]


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.name for fault in FAULTS])
@pytest.mark.parametrize(
    ("operation", "stride"), strides(), ids=[operation.name for operation in OPERATIONS]
)
def test_any_call_may_fail(operation: Operation, stride: int, fault: Fault) -> None:
    """Whatever fails: an error of the right kind or none, nothing acknowledged lost or doubled, the
    file sound, the chain whole, no cursor, state or sign of life beyond or behind, and the next
    start goes on. A disk that was full for a moment costs nothing at all."""
    tally = last(operation, fault, stride)
    assert tally.well, tally.said
    assert tally.tried > 2


def last(operation: Operation, fault: Fault, stride: int) -> Tally:
    """What came of all calls together."""
    *_, tally = fail_each(operation, fault, stride)
    return tally


def test_a_journal_that_takes_a_failure_for_success_is_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same with a commit that swallows the disk's error: what it acknowledged is lost."""
    careful = Ledger.commit

    def careless(ledger: Ledger, batch: Batch, before: Callable[[], None] | None = None) -> int:
        try:
            return careful(ledger, batch, before)
        except apsw.IOError:
            return ledger.head + 1

    monkeypatch.setattr(Ledger, "commit", careless)
    tally = last(OPERATIONS[0], FAULTS[0], CLOSELY)
    assert tally.lost > 3
