"""Whether anything in the daemon grows with time: what it can reach is counted every hour.

Counted are the objects that the daemon's own objects lead to, the world around it left out. A
queue, cache or window without a bound shows as a later half of a run that needs more than the
earlier one.
"""

from __future__ import annotations

import gc
from collections.abc import Sequence
from types import FunctionType, ModuleType
from typing import Any

from tests.simulation.whole.virtual_loop import Agenda, VirtualLoop

LEFT_OUT = (type, ModuleType, FunctionType, Agenda, VirtualLoop)
FOREIGN = ("tests.", "simulator.")
SHARE = 1.25
LEAST = 20_000
"""The records of a batch that happens to be on its way may be there or not."""


def reached_by(made: Any) -> int:
    """How many objects a daemon reaches."""
    seen = {id(made)}
    ahead = [made]
    count = 0
    while ahead:
        found = gc.get_referents(*ahead)
        ahead = []
        for one in found:
            if id(one) in seen or isinstance(one, LEFT_OUT):
                continue
            if type(one).__module__.startswith(FOREIGN):
                continue
            seen.add(id(one))
            count += 1
            if gc.is_tracked(one):
                ahead.append(one)
    return count


def maybe_growth(samples: Sequence[int]) -> str:
    """A sentence if the later half of a run needed more than the earlier; empty if not."""
    half = len(samples) // 2
    if half < 6:
        return ""
    before, after = max(samples[:half]), max(samples[half:])
    if after > SHARE * before + LEAST:
        return f"the daemon reached {before} objects in the earlier half, {after} in the later"
    return ""
