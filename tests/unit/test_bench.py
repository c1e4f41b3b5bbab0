"""The measurements run, and their table says what was met."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.__main__ import NAMES
from tests.bench.speed.figures import Figure, Target, in_turns, of, ratios, table

PROJECT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("target", "value", "verdict"),
    [
        (Target("at most", 1.15), 1.15, "met"), (Target("at most", 1.15), 1.16, "MISSED"),
        (Target("at least", 0.8), 0.8, "met"), (Target("at least", 0.8), 0.79, "MISSED"),
        (None, 5.0, ""),
    ],
)  # fmt: skip
def test_a_figure_says_whether_it_is_met(target: Target | None, value: float, verdict: str) -> None:
    """A bound itself is met, on either side."""
    assert of("x", [value], target=target).verdict == verdict


def test_a_figure_survives_json() -> None:
    """What one process measured is what another prints."""
    for target in (None, Target("at least", 0.8)):
        figure = of("x", [3.0, 1.0, 2.0], "ms", target, "why")
        assert (figure.value, figure.low, figure.high) == (2.0, 1.0, 3.0)
        assert Figure.from_json(json.loads(json.dumps(figure.as_json()))) == figure


def test_rounds_take_turns_and_the_first_does_not_count() -> None:
    """Who goes first changes each round, so that neither has the warm caches always."""
    called: list[str] = []

    def note(who: str) -> float:
        called.append(who)
        return len(called)

    ours, bare = in_turns(lambda: note("ours"), lambda: note("bare"), 2)
    assert called == ["bare", "ours", "ours", "bare", "bare", "ours"]
    assert (ours, bare) == ([3.0, 6.0], [4.0, 5.0])
    assert ratios(ours, bare) == [0.75, 1.2]


def test_one_command_prints_a_table_and_writes_json(tmp_path: Path) -> None:
    """The shortest of them, run as it is run by hand."""
    out = tmp_path / "figures.json"
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "rule_cost", "--quick", "--json", str(out)],
        cwd=PROJECT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr  # 1 where a busy machine misses a target
    figures = json.loads(out.read_text(encoding="utf-8"))["figures"]["rule_cost"]
    assert all(figure["name"] in done.stdout for figure in figures)
    assert table([Figure.from_json(figure) for figure in figures]) in done.stdout


def test_a_name_there_is_not_is_refused_in_a_sentence() -> None:
    """It says which there are."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "rules"],
        cwd=PROJECT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.endswith(f"there is no rules; there are {', '.join(NAMES)}\n")


def test_every_measurement_is_listed() -> None:
    """What lies in the folder and measures is run by the one command."""
    folder = PROJECT / "tests" / "bench" / "speed"
    found = {
        file.stem for file in folder.glob("*.py")
        if "def measure(" in file.read_text(encoding="utf-8")
    }  # fmt: skip
    assert found == set(NAMES)


def test_figures_that_could_not_be_written_are_refused_before_they_are_measured(
    tmp_path: Path,
) -> None:
    """Nobody waits for a table that has nowhere to go."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "--json", str(tmp_path / "none" / "x.json")],
        cwd=PROJECT, capture_output=True, text=True, check=False, timeout=30,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.endswith(f"there is no folder {tmp_path / 'none'} to write x.json in\n")
