"""The panels of the reader's tests and how their changes are written down.

Expected instants follow from the script: block ``i`` of a scan at ``t`` is asked at ``t + 10 i`` ms
and answers 10 ms later, so a change first seen in block 0 at 5 s and last not seen at 4 s lies in
(4.00, 5.01]. Silence before a panel is lost: three scan periods, here 3 s, unless the test says
otherwise.
"""

from __future__ import annotations

from typing import Any

from collector.core.records import (
    PointChanged,
    Quality,
)
from tests.unit.core.scans_for_tests import Bench, us

RUN = {"run": {"table": "discrete-input", "address": 0}}
TWO = {**RUN, "level": {"table": "input-register", "address": 0}}  # two blocks
GOOD, BAD = Quality.GOOD, Quality.BAD


def changed(point: str, value: Any, after_s: float, by_s: float, reason: str = "") -> PointChanged:
    """A change of point ``p.<point>``, in seconds; bad if there is a reason."""
    quality = BAD if reason else GOOD
    return PointChanged(f"p.{point}", value, quality, reason, us(after_s), us(by_s))


def started(points: dict[str, dict[str, Any]], **panel: Any) -> Bench:
    """A bench that has taken its first scan, at 0 s; all is 0 or open."""
    bench = Bench(points, **panel)
    bench.scan(0.0)
    return bench


def quiet(bench: Bench, first_s: int, last_s: int, step_s: int = 1) -> None:
    """Scans that bring nothing."""
    for at_s in range(first_s, last_s + 1, step_s):
        assert bench.scan(at_s) == [], f"at {at_s} s"
