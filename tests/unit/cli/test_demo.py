"""``weirkeeper demo``: the simulated plant and the collector together, live and in virtual time."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
import urllib.request
from pathlib import Path

from collector.cli.demo_papers import free_port, places_to_look
from collector.core.records import RecordKind
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.settings import PageSettings, Settings
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

    The truth is the simulation's own, over both parts; unknown time is the stop between them and
    what the faults hid.
    """
    kept = tmp_path / "kept"
    port = free_port()
    settings = tmp_path / "settings.yaml"
    settings.write_text(f"page:\n  port: {port}\n")
    with subprocess.Popen(
        [*PROGRAM, "demo", "--history", "2", "--for", "5", "--keep", kept,
         "--settings", settings, "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=plain_environment(),
    ) as demo:  # fmt: skip
        html = fetched_within(f"http://127.0.0.1:{port}/", 100)
        out, err = demo.communicate(timeout=100)
    assert (demo.returncode, err) == (ExitCode.DONE, "")
    assert "Osier Bend holiday park" in html
    assert "Lower Meadow lift sump" in html
    data = json.loads(out)
    machines = {machine["machine"]: machine for machine in data["picture"]["machines"]}
    assert machines.keys() == data["true_run_s"].keys()
    for name, true_s in data["true_run_s"].items():
        machine = machines[name]
        assert machine["run_low_s"] <= true_s <= machine["run_high_s"] + machine["unknown_s"], name
    assert all(m["run_s"] > 3_600 for m in machines.values() if m["kind"] == "blower")

    journal = kept / "weirkeeper.journal"
    told = subprocess.run(
        [*PROGRAM, "verify", "--json", journal], capture_output=True, text=True, check=True
    )
    assert json.loads(told.stdout)["outcome"] == "whole"
    with JournalReader(journal) as reader:
        records = reader.records_after(0, 1_000_000)
    numbers = [record.sequence for record in records]
    assert numbers == list(range(1, len(records) + 1))
    of_alarms = [
        (record.subject, json.loads(str(record.value))["happening"])
        for record in records
        if record.kind is RecordKind.ALARM
    ]
    for fault in ("blower_2.blower_fault", "meadow.panel_not_answering"):
        assert (fault, "raised") in of_alarms
        assert (fault, "acknowledged") in of_alarms
    said = [json.loads(str(r.value))["verb"] for r in records if r.kind is RecordKind.ACTION]
    assert {"acknowledge", "note", "screen_cleaned"} <= set(said)
    started = [
        r for r in records if r.kind is RecordKind.COLLECTOR and r.subject.endswith("started")
    ]
    assert len(started) == 1
    (paper,) = (kept / "record").glob("*.html")
    for each in (paper, kept / "service-sheet.html"):
        assert each.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_it_says_where_to_look(tmp_path: Path) -> None:
    """The page's address, the papers, and a command that can be typed as it stands."""
    settings = Settings(page=PageSettings(port=8711))
    papers = (tmp_path / "record.html", tmp_path / "sheet.html")
    lines = places_to_look(settings, tmp_path, papers)
    assert lines[0] == "page:    http://127.0.0.1:8711/"
    assert str(papers[0]) in lines[1]
    assert str(papers[1]) in lines[2]
    program = lines[3].removeprefix("try:").split()[0]
    assert shutil.which(program) or Path(program).exists()


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
