"""The simulated plant: its books close, it repeats to the byte, and steps do not matter."""

from __future__ import annotations

import builtins
import hashlib
import itertools
import json
import math
import os
import subprocess
import sys
import tracemalloc
from collections.abc import Iterable
from typing import Any

import pytest

from simulator.plant import OsierBend
from simulator.schedule import DAY_US, HOUR_US, SECOND_US
from simulator.truth import Truth

START_US = 1_752_278_400 * SECOND_US  # 2025-07-12T00:00:00Z
MINUTE_US = 60 * SECOND_US
EVENTFUL = """
at 10m for 40m  float_chattering collection.start_1
at 1h  for 30m  tripped blower_1
at 90m for 1h   check_valve_leaking meadow_sump
at 2h  for 20m  mains_failed works
at 3h  for 1h   pump_worn collection_pump_1 to=0.5
at 3h  for 25m  panel_frozen works
at 5h  for 10m  link_dead meadow
"""


def registers_of(plant: OsierBend) -> bytes:
    """All registers of all panels."""
    answers = [
        panel.image.read(span.function, span.start, span.end - span.start)
        for panel in plant.panels.values()
        for span in panel.image.map.spans
    ]
    return b"".join(answer for answer in answers if isinstance(answer, bytes))


@pytest.fixture(scope="module")
def month() -> Truth:
    """The truth of 30 days in summer."""
    plant = OsierBend(seed=1, start_utc_us=START_US, intervals_kept=100_000)
    plant.advance_to(START_US + 30 * DAY_US)
    return plant.truth


WELLS = ("equalization", "collection", "meadow_sump", "bowser_tank")


@pytest.mark.parametrize("name", WELLS)
def test_mass_balance_of_each_well_closes_over_a_month(month: Truth, name: str) -> None:
    """Inflow plus return minus pumped minus overflow is the change of storage, to 0.1 mL, and a
    well that moves much water was looked at.
    """
    well = month.wells[name]
    change_m3 = well.inflow_m3 + well.returned_m3 - well.pumped_m3 - well.overflow_m3
    assert change_m3 == pytest.approx(month.stored_m3[name] - well.first_m3, abs=1e-7)
    assert well.inflow_m3 > 50.0


def test_water_that_leaves_one_place_arrives_at_the_next(month: Truth) -> None:
    """The equalization tank gets what the collection pumps give and the filter's wash water; the
    collection tank at least what the lift sump and the towed tank send; the filter what the feed
    pumps give, but for the little that stands above the weirs.
    """
    wells = month.wells
    assert wells["equalization"].inflow_m3 == pytest.approx(
        wells["collection"].pumped_m3 + month.volumes_m3["wash_water"], abs=1e-6
    )
    sent_m3 = wells["meadow_sump"].pumped_m3 + wells["bowser_tank"].pumped_m3
    assert wells["collection"].inflow_m3 > sent_m3 + 500.0
    assert month.volumes_m3["filtered"] == pytest.approx(wells["equalization"].pumped_m3, abs=3.0)


@pytest.mark.parametrize("name", WELLS)
def test_hours_add_up_to_the_totals(month: Truth, name: str) -> None:
    """720 hours of a month, and their volumes make the month's."""
    well = month.wells[name]
    assert len(well.hours) == 720
    assert sum(hour.inflow_m3 for hour in well.hours) == pytest.approx(well.inflow_m3, abs=1e-6)
    assert sum(hour.pumped_m3 for hour in well.hours) == pytest.approx(well.pumped_m3, abs=1e-6)


def test_run_times_are_the_sums_of_their_intervals(month: Truth) -> None:
    """Every machine ran, its run time is the sum of its runs to the microsecond, no two runs touch,
    and its starts are their number.
    """
    for name, machine in month.machines.items():
        runs = list(machine.intervals)
        if machine.since_us is not None:
            runs.append((machine.since_us, month.now_us))
        assert sum(end - begin for begin, end in runs) == machine.run_us(month.now_us) > 0, name
        assert machine.starts == len(runs), name
        assert all(a[1] < b[0] for a, b in itertools.pairwise(runs)), name


def test_pumps_alternate(month: Truth) -> None:
    """The two pumps of a well share the starts evenly over a month."""
    for one, two in (
        ("collection_pump_1", "collection_pump_2"),
        ("feed_pump_1", "feed_pump_2"),
        ("meadow_pump_1", "meadow_pump_2"),
    ):
        assert abs(month.machines[one].starts - month.machines[two].starts) <= 40


def test_wet_weather_calls_the_lag_pump(month: Truth) -> None:
    """In the rainiest days of the month both feed pumps run together, and never without rain in
    the two days before.
    """
    one, two = (month.machines[f"feed_pump_{k}"].intervals for k in (1, 2))
    together_us = [max(a[0], b[0]) for a in one for b in two if max(a[0], b[0]) < min(a[1], b[1])]
    assert together_us
    for at_us in together_us:
        recent_mm = sum(mm for begin, mm in month.rain_hours if at_us - 2 * DAY_US < begin < at_us)
        assert recent_mm > 5.0


def test_the_park_lives_as_parks_do(month: Truth) -> None:
    """Nights are quieter than evenings, there was rain, the filter cleaned itself every day, the
    towed tank came, nothing overflowed (common practice, no source).
    """
    hours = month.wells["meadow_sump"].hours
    of_day = [sum(hour.inflow_m3 for hour in hours[k::24]) for k in range(24)]
    assert of_day[2] < 0.5 * of_day[18]
    assert month.rain_mm > 5.0
    assert month.cleanings > 60
    assert 20 <= month.bowser_dockings <= 60
    assert all(well.overflow_m3 == 0.0 for well in month.wells.values())


def test_same_seed_same_bytes_other_seed_other_bytes() -> None:
    """Two runs of a seed give the same registers and the same truth; another seed does not."""

    def run(seed: int) -> tuple[bytes, str]:
        plant = OsierBend(seed, START_US, EVENTFUL)
        plant.advance_to(START_US + 9 * HOUR_US)
        return registers_of(plant), plant.truth.to_json()

    assert run(5) == run(5)
    assert run(5) != run(6)


def test_other_processes_give_the_same_bytes() -> None:
    """Interpreters with other hash seeds print the same truth."""
    command = [sys.executable, "-m", "simulator", "truth", "--days", "0.4", "--json", "--seed", "8"]
    digests = {
        hashlib.sha256(
            subprocess.run(
                command, check=True, capture_output=True,
                env={**os.environ, "PYTHONHASHSEED": hash_seed},
            ).stdout
        ).hexdigest()
        for hash_seed in ("0", "4242")
    }  # fmt: skip
    plant = OsierBend(8, START_US)
    plant.advance_to(START_US + round(0.4 * DAY_US))
    digests.add(hashlib.sha256((plant.truth.to_json() + "\n").encode()).hexdigest())
    assert len(digests) == 1


def test_nothing_depends_on_how_sum_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """With ``sum`` rounding floats otherwise the truth is the same: Python 3.12 made it compensate
    (What's New In Python 3.12, Other Language Changes), and a seed must outlive that.
    """

    def run() -> str:
        plant = OsierBend(5, START_US)
        plant.advance_to(START_US + 6 * HOUR_US)
        return plant.truth.to_json()

    before = run()
    plain_sum = builtins.sum

    def exact_sum(values: Iterable[Any], start: Any = 0) -> Any:
        items = list(values)
        floats = bool(items) and all(isinstance(item, float) for item in items)
        return math.fsum(items) if floats else plain_sum(items, start)

    with monkeypatch.context() as patched:
        patched.setattr(builtins, "sum", exact_sum)
        after = run()
    assert after == before


def test_small_steps_and_looking_change_nothing() -> None:
    """Eight eventful hours in steps of one second, in leaps from change to change and in one leap
    give the same registers at the same instants and the same truth, however often one looks.
    """
    end_us = START_US + 8 * HOUR_US

    def history(of: OsierBend, *, leaping: bool) -> list[tuple[int, bytes]]:
        seen = []
        before = b""
        at_us = START_US
        while at_us < end_us:
            if leaping:
                at_us = of.advance_until_change(end_us)
                # What changed between two whole seconds is seen at the next.
                at_us = min(end_us, -(-at_us // SECOND_US) * SECOND_US)
            else:
                at_us += SECOND_US
            of.advance_to(at_us)
            now = registers_of(of)
            if now != before:
                seen.append((at_us, now))
                before = now
            if at_us % (600 * SECOND_US) == 0:
                assert of.truth.to_json()
        return seen

    steps, leaps, one = (OsierBend(4, START_US, EVENTFUL) for _ in range(3))
    walked = history(steps, leaping=False)
    leapt = history(leaps, leaping=True)
    one.advance_to(end_us)
    # The first look of the two is at another instant, before anything moved.
    assert walked[1:] == leapt[-len(walked) + 1 :]
    assert len(walked) > 1000
    assert steps.truth.to_json() == leaps.truth.to_json() == one.truth.to_json()


def test_no_register_changes_before_the_instant_announced() -> None:
    """Up to ``next_change_us`` nothing moves: no register, no version, no reachability."""
    plant = OsierBend(2, START_US, EVENTFUL)
    for _ in range(4000):
        due_us = plant.next_change_us()
        before = [(p.version, p.reachable()) for p in plant.panels.values()]
        plant.advance_to(due_us - 1)
        assert [(p.version, p.reachable()) for p in plant.panels.values()] == before
        plant.advance_to(due_us)
    assert plant.now_us > START_US + HOUR_US


def test_contacts_move_between_whole_seconds() -> None:
    """Run contacts move at any microsecond, not on a grid a scan could fall in with."""
    plant = OsierBend(2, START_US, intervals_kept=1000)
    plant.advance_to(START_US + 2 * DAY_US)
    instants = [
        instant
        for machine in plant.truth.machines.values()
        for interval in machine.intervals
        for instant in interval
    ]
    assert len(instants) > 200
    assert sum(1 for instant in instants if instant % 1000 == 0) < 0.05 * len(instants)


def test_memory_stays_flat() -> None:
    """The third day leaves no more behind than its hours in the rings, below 64 KiB."""
    plant = OsierBend(1, START_US)
    plant.advance_to(START_US + 2 * DAY_US)
    tracemalloc.start()
    try:
        plant.advance_to(START_US + 3 * DAY_US)
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 64 * 1024


def test_truth_is_json_and_a_readable_page() -> None:
    """The JSON holds wells, machines, faults; the page names every machine and fits 80 columns."""
    plant = OsierBend(1, START_US, "at 1m for 5m link_dead meadow\nat 2m for ever tripped mixer")
    plant.advance_to(START_US + 3 * HOUR_US)
    plain = json.loads(plant.truth.to_json())
    assert plain["faults"][0]["end_us"] == START_US + 6 * MINUTE_US
    assert plain["faults"][1]["end_us"] is None
    page = plant.truth.summary()
    assert all(name in page for name in plain["machines"])
    assert max(len(line) for line in page.splitlines()) <= 80


def test_january_is_quieter_than_july() -> None:
    """A winter day brings less than 60 % of a summer day's sewage, groundwater included."""
    inflow_m3 = []
    for start_us in (1_736_640_000 * SECOND_US, START_US):  # 2025-01-12 and 2025-07-12, 00:00Z
        plant = OsierBend(1, start_us)
        plant.advance_to(start_us + DAY_US)
        inflow_m3.append(plant.truth.wells["collection"].inflow_m3)
    assert inflow_m3[0] < 0.6 * inflow_m3[1]


def test_panel_clocks_follow_summer_time() -> None:
    """Blowers change over at six local time: 06:00 UTC on 29 March 2025, 05:00 UTC on the 30th, the
    day on which the United Kingdom went over to summer time (IANA time zone database).
    """
    start_us = 1_743_206_400 * SECOND_US  # 2025-03-29T00:00:00Z
    plant = OsierBend(1, start_us, intervals_kept=500)
    plant.advance_to(start_us + 2 * DAY_US)
    ends = [
        (end - start_us) / HOUR_US
        for name in ("blower_1", "blower_2")
        for _, end in plant.truth.machines[name].intervals
    ]

    def changed_over(hour: float) -> bool:
        return any(hour < end < hour + 10 / 3600 for end in ends)

    assert changed_over(6.0)
    assert changed_over(24 + 5.0)
    assert not changed_over(24 + 6.0)
