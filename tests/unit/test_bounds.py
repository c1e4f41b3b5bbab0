"""The table "What is bounded" of DEVELOPERS.md: every place in it exists, no queue is left out."""

from __future__ import annotations

import ast
import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PLACE = re.compile(r"`([a-z_/]+\.py)` `(\w+)`")
KEEPS = {"deque", "Queue", "SimpleQueue", "LifoQueue", "PriorityQueue", "lru_cache", "OrderedDict"}
# Made for one report or export by a command of its own, then gone with it.
READ_ONCE = {
    "collector/reports/alarm_performance.py",
    "collector/reports/data_export/files.py",
}


def places() -> list[tuple[str, str]]:
    """File and name of every bound in the table."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("## What is bounded")[2].partition("\n## ")[0]
    return PLACE.findall(table)


@pytest.mark.parametrize(("file", "name"), places())
def test_a_bound_is_where_the_table_says(file: str, name: str) -> None:
    """The file has something of that name."""
    module = importlib.import_module("collector." + file.removesuffix(".py").replace("/", "."))
    assert hasattr(module, name), f"collector/{file} has no {name}"


def names_used(path: Path) -> set[str]:
    """What a module calls."""
    calls = (n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Call))
    return {ast.unparse(call.func).rpartition(".")[2] for call in calls}


def test_no_queue_is_left_out() -> None:
    """Every module that makes a queue, or a cache that grows, stands in the table."""
    told = {f"collector/{file}" for file, _ in places()}
    keeping = {
        str(path.relative_to(ROOT))
        for path in (ROOT / "collector").rglob("*.py")
        if names_used(path) & KEEPS
    }
    assert len(keeping) > 20
    assert keeping <= told | READ_ONCE, sorted(keeping - told - READ_ONCE)
