"""One machine whose truth is known, watched by scans, for the tests of periods.

The inputs are made here from the truth and the instants of the scans alone, as the reader of a
panel would make them: a transition lies between the last scan before it and the first after it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from collector.core.engine import Engine
from collector.core.records import (
    LINK_LOST,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Tick,
    Total,
)
from collector.plant.model import Plant

SECOND_US = 1_000_000
HOUR_US = 3600 * SECOND_US
DAY_US = 24 * HOUR_US


def machine_plant(zone: str = "UTC", frozen_after_s: float | None = None) -> Plant:
    """A panel with one mixer, ``stirrer``, scanned each 10 s and lost after 30 s of silence."""
    return Plant.model_validate(
        {
            "plant": {"name": "paper", "title": "On paper", "time_zone": zone},
            "links": {"lan": {"kind": "tcp", "host": "127.0.0.1"}},
            "panels": {
                "p": {
                    "link": "lan",
                    "scan_period_s": 10.0,
                    "frozen": frozen_after_s and {"after_s": frozen_after_s},
                    "points": {"run": {"table": "discrete-input", "address": 0}},
                }
            },
            "equipment": {"stirrer": {"kind": "mixer", "title": "Stirrer", "run": "p.run"}},
        }
    )


def on_or_off(running: bool, after_us: int, by_us: int) -> PointChanged:
    """The run contact, seen to have changed."""
    return PointChanged("p.run", running, Quality.GOOD, "", after_us, by_us)


@dataclass(frozen=True)
class Truth:
    """When the machine turned over, first on, then off and so on; off at the beginning."""

    turns_us: Sequence[int]

    def on_at(self, at_us: int) -> bool:
        """Whether it ran."""
        return sum(turn_us <= at_us for turn_us in self.turns_us) % 2 == 1

    def ran_us(self, from_us: int, to_us: int) -> int:
        """For how long it ran between two instants."""
        turns = [*self.turns_us, max(to_us, *self.turns_us)] if self.turns_us else []
        return sum(
            max(0, min(off_us, to_us) - max(on_us, from_us))
            for on_us, off_us in zip(turns[::2], turns[1::2], strict=False)
        )

    def started(self, from_us: int, to_us: int) -> int:
        """How often it started between two instants."""
        return sum(from_us <= turn_us < to_us for turn_us in self.turns_us[::2])


def inputs_of(
    truth: Truth,
    start_us: int,
    end_us: int,
    gaps_us: Sequence[tuple[int, int]] = (),
    period_us: int = 10 * SECOND_US,
) -> list[Input]:
    """What a reader that scans each ``period_us`` makes of it; nothing is scanned in gaps."""
    found: list[Input] = []
    last_us, known, lost = start_us, None, False
    for scan_us in range(start_us, end_us, period_us):
        if any(begin_us <= scan_us < over_us for begin_us, over_us in gaps_us):
            if not lost and scan_us - last_us >= 3 * period_us:
                lost = True
                found.append(PanelLost("p", LINK_LOST, last_us, scan_us))
            continue
        on = truth.on_at(scan_us)
        if on != known:
            found.append(on_or_off(on, last_us if known is not None else scan_us, scan_us))
        if lost or known is None:
            found.append(PanelReturned("p", scan_us))
        last_us, known, lost = scan_us, on, False
    return found


class Watch:
    """An engine and the totals it has told; of two of one period the newer counts."""

    def __init__(self, plant: Plant, start_us: int, offset_us: int = 0) -> None:
        self.plant = plant
        self.start_us = start_us
        self.engine = Engine(plant, start_us, offset_us=offset_us)
        self.told: list[Total] = []

    def take(self, news: Input) -> list[Output]:
        """Give the engine an input."""
        found = self.engine.step(news)
        self.told += [output for output in found if isinstance(output, Total)]
        return found

    def take_all(self, inputs: Sequence[Input], until_us: int) -> None:
        """Give it inputs, and ticks whenever it wants one, as the daemon does."""
        for news in inputs:
            known_us = news.last_good_us if isinstance(news, PanelLost) else news.by_us
            self.tick_to(known_us)
            self.take(news)
        self.tick_to(until_us)

    def tick_to(self, until_us: int) -> None:
        """Let time pass."""
        while (at_us := self.engine.next_deadline_us()) <= until_us:
            self.take(Tick(at_us))

    def restart(self) -> None:
        """Save, and go on with another engine."""
        saved = json.loads(json.dumps(self.engine.save()))
        self.engine = Engine(self.plant, self.start_us)
        assert self.engine.restore(saved) == []

    def totals(self, quantity: str, period: str) -> list[Total]:
        """The totals of a quantity that count, in order."""
        newest = {
            total.from_us: total
            for total in self.told
            if total.subject == f"stirrer.{quantity}.{period}"
        }
        return [newest[from_us] for from_us in sorted(newest)]
