"""``weirkeeper runtime``, ``flows`` and ``cycles``: exact lists of a journal made by a script.

The pump runs 10 min of every hour. London moved its clocks on 2026-03-29 at 01:00 UTC (IANA time
zone database), so that day has 23 h; from 10:00 to 12:00 UTC of it the panel does not answer.
"""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import pytest

from collector.core.records import Quality, Record, RecordKind
from collector.errors import ExitCode
from collector.journal.writer import Journal
from tests.unit.cli.scripted import HOUR_US, hourly_runs, utc, write_journal
from tests.unit.cli.typed import Shell, too_wide

BEGIN_US, END_US = utc("2026-03-27T23:00"), utc("2026-03-30T03:00")
SILENCE = (utc("2026-03-29T10:00"), utc("2026-03-29T12:00"))


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two plant days of the script and a little more; for reading only."""
    folder = tmp_path_factory.mktemp("scripted")
    return write_journal(folder, hourly_runs(BEGIN_US, END_US), BEGIN_US, END_US, [SILENCE])


# --- runtime --------------------------------------------------------------------------------------


def test_run_time_by_plant_day_is_just_this(shell: Shell, journal: Path) -> None:
    """24 runs of 10 min make 4 h; on the day of 23 h 21 are seen and two may hide in the gap.

    Each end of a run lies in a bracket of 10 s: 24 runs give 4 h +- 240 s. The gap lasts from the
    scan of 09:59:50 to that of 12:00:00, 2.003 h of 23 h.
    """
    said = shell("runtime --from 2026-03-28 --to 2026-03-29 --equipment pump --journal", journal)
    assert (said.code, said.err) == (ExitCode.DONE, "")
    assert said.out == (
        "day         machine  run h  at least  at most  starts    known\n"
        "2026-03-28  pump     4.000     3.933    4.067      24  100.0 %\n"
        "2026-03-29  pump     3.500     3.442    5.561    >=21   91.2 %\n"
        "\n"
        "Periods under way are not listed, nor days of which nothing is known, nor hours\n"
        "without run time. 'at least' and 'at most' take brackets and unknown time in.\n"
    )


def test_run_time_by_hour_names_the_offset_since_an_hour_may_come_twice(
    shell: Shell, journal: Path
) -> None:
    """After 00:00+0000 comes 02:00+0100; the hours of the gap are not there."""
    said = shell("runtime --by hour --from 2026-03-29 --to 2026-03-29 --journal", journal)
    begins = [line[:21] for line in said.out.splitlines() if " pump " in line]
    assert begins[:3] == [
        "2026-03-29 00:00+0000", "2026-03-29 02:00+0100", "2026-03-29 03:00+0100",
    ]  # fmt: skip
    assert len(begins) == 21
    assert not any("11:00+0100" in begin or "12:00+0100" in begin for begin in begins)
    assert too_wide(said.out) == []


def test_run_time_as_csv_and_json_says_the_same(shell: Shell, journal: Path) -> None:
    """CSV as RFC 4180 has it, read by the standard library; JSON by any."""
    line = "runtime --from 2026-03-28 --to 2026-03-28 --equipment filter"
    (row,) = csv.DictReader(io.StringIO(shell(f"{line} --csv --journal", journal).out))
    (told,) = shell(f"{line} --json --journal", journal).data
    assert row["begin"] == told["begin"] == "2026-03-28T00:00:00+00:00"
    assert float(row["run_hours"]) == told["run_hours"] == pytest.approx(180 / 3600)
    assert (row["starts"], told["starts"]) == ("1", 1)


def test_an_instant_may_be_given_instead_of_a_date(shell: Shell, journal: Path) -> None:
    """RFC 3339 with its offset; the end is not part of the span."""
    said = shell(
        "runtime --by hour --from 2026-03-28T05:00:00Z --to 2026-03-28T07:00:00+00:00 "
        "--equipment pump --json --journal",
        journal,
    )
    assert [row["begin"] for row in said.data] == [
        "2026-03-28T05:00:00+00:00", "2026-03-28T06:00:00+00:00",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("runtime --equipment pmup", "there is no machine 'pmup', did you mean 'pump'?"),
        ("flows --equipment smup", "there is no equipment 'smup', did you mean 'sump'?"),
        ("cycles --equipment pump", "there is no well with pumps or filter 'pump'"),
        ("runtime --from 2026-03-28 --to 2026-03-27",
         "--from is 2026-03-28, expected an instant before 2026-03-28T00:00:00+00:00"),
        ("runtime --from 28.3.2026",
         "argument --from: found '28.3.2026', expected a date such as 2026-07-01"),
        ("runtime --from 2026-03-28T05:00",
         "argument --from: found '2026-03-28T05:00', expected a date such as 2026-07-01"),
        ("flows --by week", "argument --by: invalid choice: 'week'"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused_in_one_sentence(
    line: str, sentence: str, shell: Shell, journal: Path
) -> None:
    """Code 2, what was found, and what was probably meant."""
    said = shell(f"{line} --journal", journal)
    assert (said.code, said.out) == (ExitCode.USAGE, "")
    assert sentence in said.err
    assert len(said.err.splitlines()) == 1


def test_a_time_of_which_nothing_is_on_record_is_said_so(shell: Shell, journal: Path) -> None:
    """The answer is no."""
    said = shell("runtime --from 2025-01-01 --to 2025-01-31 --journal", journal)
    assert (said.code, said.out) == (
        ExitCode.ANSWER_IS_NO, "nothing on record for that time\n",
    )  # fmt: skip


# --- cycles ---------------------------------------------------------------------------------------


def test_cycles_by_plant_day_are_just_these(shell: Shell, journal: Path) -> None:
    """Drawdowns of 10 min, fills of 50 min, a cleaning of 3 min; the first fill nobody saw begin.

    On the 29th the gap hides a run at 10:10 and one at 11:10: the fill over it is unsure.
    """
    said = shell("cycles --from 2026-03-28 --to 2026-03-29 --journal", journal)
    assert said.out.splitlines()[:7] == [
        "day         equipment  what      count  unsure   min  least  most",
        "2026-03-28  filter     cleaning      1       -   3.0    3.0   3.0",
        "2026-03-28  sump       drawdown     24       -  10.0   10.0  10.0",
        "2026-03-28  sump       fill         24       -  50.0   50.0  50.0",
        "2026-03-29  filter     cleaning      1       -   3.0    3.0   3.0",
        "2026-03-29  sump       drawdown     21       -  10.0   10.0  10.0",
        "2026-03-29  sump       fill         21       1  50.0   50.0  50.0",
    ]
    assert too_wide(said.out) == []


def test_each_cycle_is_told_with_the_error_of_its_length(shell: Shell, journal: Path) -> None:
    """Both ends lie within a scan of 10 s: half of each bracket, 5 s and a little, is the error."""
    said = shell("cycles --each --equipment filter --to 2026-03-28 --json --journal", journal)
    (cleaning,) = said.data
    assert cleaning["length_s"] == 180.0
    assert cleaning["error_s"] == pytest.approx(10.0, abs=0.01)
    assert cleaning["certain"] is True


# --- flows ----------------------------------------------------------------------------------------


def total(subject: str, begin_us: int, told_us: int, value: float, **more: object) -> Record:
    """A total of 2026-03-28 or so, in SI."""
    return Record(
        RecordKind.TOTAL, subject, told_us, told_us, begin_us, value,
        low=0.9 * value, high=1.1 * value, **more,  # type: ignore[arg-type]
    )  # fmt: skip


@pytest.fixture
def told_twice(tmp_path: Path) -> Path:
    """A journal in which a day's volumes were recomputed."""
    path = write_journal(tmp_path, [], BEGIN_US, BEGIN_US + HOUR_US)
    day_us, told_us = utc("2026-03-27"), BEGIN_US + 2 * HOUR_US
    doubt = "50.0 % of the period known"
    with Journal.open(path, wall_us=lambda: told_us) as journal:
        journal.submit(
            [
                total("sump.volume_in.day", day_us, told_us, 24.0),
                total("pump.volume_pumped.day", day_us, told_us, 12.0, reason=doubt,
                      quality=Quality.UNCERTAIN),
                total("pump.run_hours.day", day_us, told_us, 7200.0),
                replace(total("sump.inflow_least.day", day_us, told_us, 1 / 3600), low=None,
                        high=None),
                total("sump.volume_in.day", day_us, told_us + 1, 48.0,
                      reason="recomputed with plant file 0123abcd"),
            ]
        )  # fmt: skip
    return path


def test_volumes_come_with_the_mean_flow_and_the_newest_counts(
    shell: Shell, told_twice: Path
) -> None:
    """48 m3 in 24 h are 2 m3/h; a pump that gave 12 m3 in 2 h of running gives 6 m3/h.

    The least inflow is a flow and stands where flows stand.
    """
    said = shell("flows --from 2026-03-27 --to 2026-03-27 --journal", told_twice)
    assert said.out == (
        "day         equipment  of               m3   from     to  m3/h  known\n"
        "2026-03-27  pump       pumped        12.00  10.80  13.20  6.00   50 %\n"
        "2026-03-27  sump       inflow least      -      -      -  1.00  100 %\n"
        "2026-03-27  sump       in            48.00  43.20  52.80  2.00  100 %\n"
        "\n"
        "Estimates, no custody meter; the truth lies 'from' .. 'to'. 'm3/h' is the mean\n"
        "over the known time, of a pump while it runs. Periods under way are not listed,\n"
        "nor those that saw nothing.\n"
    )


def test_superseded_figures_are_listed_on_request(shell: Shell, told_twice: Path) -> None:
    """The old figure stays on record and stands before the one that counts."""
    said = shell("flows --all --equipment sump --from 2026-03-27 --to 2026-03-27 --journal",
                 told_twice)  # fmt: skip
    lines = [line for line in said.out.splitlines() if "  in  " in line]
    assert ["~sump" in line for line in lines] == [True, False]
    assert "24.00" in lines[0]
    assert "48.00" in lines[1]
