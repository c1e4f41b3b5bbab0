"""``weirkeeper demo``: the simulated plant and the collector together, live and in virtual time."""

from __future__ import annotations

import json
import subprocess
import time
import urllib.request
from pathlib import Path

from collector.core.records import RecordKind
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.reports.picture import draw_picture
from tests.unit.cli.typed import PROGRAM, Shell, plain_environment, too_wide


def test_virtual_days_end_with_the_truth_beside_the_count(shell: Shell, tmp_path: Path) -> None:
    """Code 0 says that every machine's truth lies within what was told; the journal is kept."""
    said = shell("demo --days 0.1 --keep kept")
    assert (said.code, said.err) == (ExitCode.DONE, "")
    assert too_wide(said.out) == []
    assert "NO" not in said.out.split()
    assert "0.1 days in" in said.out
    assert (tmp_path / "kept" / "weirkeeper.journal").exists()
    status = shell("status --journal kept/weirkeeper.journal")
    assert "Osier Bend holiday park" in status.out
    again = shell("demo --days 0.1 --keep kept")
    assert again.code == ExitCode.CONFIGURATION
    assert again.err.splitlines() == [
        "weirkeeper: kept: found a journal already there, expected a folder of its own for the demo"
    ]


def test_virtual_days_for_a_program(shell: Shell) -> None:
    """Every machine with its count and the truth."""
    data = shell("demo --days 0.05 --seed 3 --json").data
    assert data["days"] == 0.05
    assert len(data["machines"]) == 12
    for machine in data["machines"]:
        low_s = machine["counted_s"] - machine["bracket_s"]
        high_s = machine["counted_s"] + machine["bracket_s"] + machine["unknown_s"]
        assert low_s <= machine["true_s"] <= high_s, machine


def test_the_live_demo_ends_by_itself_with_a_summary() -> None:
    """Real time, real sockets, embedded defaults; nothing but JSON on standard output."""
    said = subprocess.run(
        [*PROGRAM, "demo", "--history", "0", "--for", "2", "--json"],
        capture_output=True, check=False, timeout=100, env=plain_environment(),
    )  # fmt: skip
    assert (said.returncode, said.stderr) == (ExitCode.DONE, b"")
    data = json.loads(said.stdout)
    assert data["picture"]["plant"] == "osier_bend"
    assert data["records"]["point"] > 50
    assert {panel["panel"]: panel["state"] for panel in data["picture"]["panels"]}["works"] == "up"
    assert len(data["true_run_s"]) == 12


def test_the_live_demo_goes_on_from_the_past_it_made(tmp_path: Path) -> None:
    """Two days with faults and answers, the papers, then live on the same journal with its page.

    The truth is the simulation's own; unknown time is the stop between both parts and what the
    faults hid.
    """
    kept = tmp_path / "kept"
    with subprocess.Popen(
        [*PROGRAM, "demo", "--history", "2", "--for", "5", "--keep", kept],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=plain_environment(),
    ) as demo:  # fmt: skip
        assert demo.stdout is not None
        head: dict[str, str] = {}
        while "try" not in head:
            what, _, where = demo.stdout.readline().partition(":")
            head[what] = where.strip()
        html = fetched_within(head["page"], 10)
        _, err = demo.communicate(timeout=100)
    assert (demo.returncode, err) == (ExitCode.DONE, "")
    assert "Osier Bend holiday park" in html
    assert "Lower Meadow lift sump" in html
    assert Path(head["record"]).read_text().startswith("<!DOCTYPE html>")
    journal = kept / "weirkeeper.journal"
    told = subprocess.run(
        [*PROGRAM, "verify", "--json", journal], capture_output=True, text=True, check=True
    )
    assert json.loads(told.stdout)["outcome"] == "whole"
    with JournalReader(journal) as reader:
        records = reader.records_after(0, 1_000_000)
        picture = draw_picture(journal, reader)
    numbers = [record.sequence for record in records]
    assert numbers == list(range(1, len(records) + 1))
    raised = {
        record.subject.rpartition(".")[2]
        for record in records
        if record.kind is RecordKind.ALARM
        and json.loads(str(record.value))["happening"] == "raised"
    }
    assert {"blower_fault", "panel_not_answering"} <= raised
    said = [json.loads(str(r.value))["verb"] for r in records if r.kind is RecordKind.ACTION]
    assert {"acknowledge", "screen_cleaned"} <= set(said)
    started = [
        r for r in records if r.kind is RecordKind.COLLECTOR and r.subject.endswith("started")
    ]
    assert len(started) == 1
    assert picture is not None
    blowers = [machine for machine in picture.machines if machine.kind == "blower"]
    assert all((machine.run_s or 0.0) > 3_600 for machine in blowers)
    assert (kept / "service-sheet.html").read_text().startswith("<!DOCTYPE html>")
    assert len(list((kept / "record").glob("*.html"))) == 1


def fetched_within(address: str, limit_s: float) -> str:
    """The page at an address, as soon as it answers."""
    deadline = time.monotonic() + limit_s
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5) as answer:  # noqa: S310
                return str(answer.read(), "utf-8")
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)
