"""The house keeps its own rules: sizes, import direction, clocks, names, words, the top level.

Read from the tree as git knows it. What does not keep a rule stands here by name; a name that is no
longer needed fails too, so that the lists only shrink.
"""

from __future__ import annotations

import ast
import subprocess
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

MOST_LINES = 500
AIMED_LINES = 300
OVER_AIM = {
    "collector/core/engine.py",
    "collector/core/periods.py",
    "collector/core/records.py",
    "collector/core/runs.py",
    "collector/core/wells/balance.py",
    "collector/core/wells/estimator.py",
    "collector/core/wells/well_flow.py",
    "collector/daemon.py",
    "collector/journal/ledger.py",
    "collector/journal/reader.py",
    "collector/journal/writer.py",
    "collector/outlets/mqtt.py",
    "collector/outlets/store.py",
    "collector/plant/equipment.py",
    "simulator/plant.py",
}
MOST_FUNCTION_LINES = 60

TOP_LEVEL = {
    "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md", "collector", "config", "deploy",
    "pyproject.toml", "rules", "simulator", "tests",
}  # fmt: skip

INWARD = ("core", "plant", "units", "errors")
MAY_IMPORT = {
    "errors": (),
    "units": (),
    "clock": (),
    "plant": ("plant", "units", "errors"),
    "core": INWARD,
    "settings": ("plant", "units", "errors", "notices.settings", "settings_sections"),
    "logs": ("settings",),
    "links": ("links", "clock", *INWARD),
    "rulebook": ("rulebook", *INWARD),
    "audit": ("audit", *INWARD),
    "journal": ("journal", "audit", "clock", *INWARD),
    "outlets": ("outlets", "clock", "settings", "journal.reader", "journal.items", *INWARD),
    "notices": ("notices", "clock", "outlets.contract", "outlets.threads", *INWARD),
    "reports": (
        "reports",
        "audit",
        "__version__",
        "clock",
        "journal.reader",
        "journal.items",
        *INWARD,
    ),
    "page": (
        "page",
        "charts",
        "reports",
        "clock",
        "settings_sections",
        "outlets.contract",
        "journal.reader",
        "plant_file",
        "rule_files",
        "__version__",
        *INWARD,
    ),
}
"""Inside ``collector``; what is not named (daemon and the like) may import all but cli."""
# Whether the journal is held is asked of the lock, not of the journal.
IMPORT_EXCEPTIONS = {
    ("collector/reports/picture.py", "collector.journal.holder"),
    ("collector/reports/plant_view.py", "collector.journal.holder"),
}
IMPORT_SIMULATOR = {
    f"collector/cli/{name}.py"
    for name in ("demo", "demo_history", "demo_papers", "demo_story", "month")
}

CLOCKS = {"collector/clock.py", "simulator/clock.py"}
# Tells how long a virtual month took, which is no plant time.
TIME_EXCEPTIONS = {"collector/cli/month.py"}
# Jitter of retries; the seed may be given.
UNSEEDED = {"collector/daemon.py"}
IMPURE = {
    "apsw", "asyncio", "http", "io", "logging", "multiprocessing", "os", "pathlib", "random",
    "secrets", "shutil", "signal", "socket", "sqlite3", "ssl", "structlog", "subprocess", "sys",
    "tempfile", "threading", "time", "urllib", "uuid",
}  # fmt: skip
IMPURE_CALLS = {"breakpoint", "exec", "eval", "input", "open", "print"}

UNEXPLAINED = {
    "collector/core/wells/balance.py:WaterBalance:area_m2",
    "collector/plant/yaml_tree.py:Composer:fill_pairs",
    "collector/plant/yaml_tree.py:Composer:fill_scalar",
    "collector/plant/yaml_tree.py:Composer:node",
    "collector/plant/yaml_tree.py:Composer:note",
    "collector/plant/yaml_tree.py:Composer:stop",
}

WORDS_IN_NAMES = {"utils", "util", "helpers", "helper", "manager", "base", "misc", "common"}
# systemd calls itself a service manager.
NAME_EXCEPTIONS = {"collector/service_manager.py"}


@cache
def tracked() -> tuple[str, ...]:
    """Paths of all files that git keeps and that are there."""
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    return tuple(path for path in listed.split("\0") if path and (ROOT / path).is_file())


def modules(*packages: str) -> tuple[str, ...]:
    """Paths of Python files of some top-level packages."""
    return tuple(
        path for path in tracked() if path.endswith(".py") and path.split("/")[0] in packages
    )


@cache
def tree_of(path: str) -> ast.Module:
    return ast.parse((ROOT / path).read_text(encoding="utf-8"), path)


def imports_of(path: str) -> set[str]:
    """Full names of the modules a file imports, at any depth of it."""
    found: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are absolute here"
            found.add(node.module or "")
            found |= {f"{node.module}.{name.name}" for name in node.names}
    return found


def expect_only(found: Iterable[str], listed: set[str], rule: str) -> None:
    """Those found are exactly those listed; both sides are told what to do."""
    surplus, stale = sorted(set(found) - listed), sorted(listed - set(found))
    assert not surplus, f"{rule}: {', '.join(surplus)}"
    assert not stale, f"strike from the list, it keeps the rule now: {', '.join(stale)}"


# --- sizes --------------------------------------------------------------------------------------


def lines_of(path: str) -> int:
    return len((ROOT / path).read_text(encoding="utf-8").splitlines())


@pytest.mark.parametrize("package", ["collector", "simulator", "tests"])
def test_no_module_is_longer_than_500_lines(package: str) -> None:
    """Longer ones do two things."""
    too_long = [path for path in modules(package) if lines_of(path) > MOST_LINES]
    assert not too_long, f"over {MOST_LINES} lines: {', '.join(too_long)}"


def test_modules_over_300_lines_are_known_by_name() -> None:
    """300 is the aim; the list of those beyond it only shrinks."""
    over = [path for path in modules("collector", "simulator") if lines_of(path) > AIMED_LINES]
    expect_only(over, OVER_AIM, f"over {AIMED_LINES} lines")


def test_no_function_is_longer_than_60_lines() -> None:
    """With its signature, docstring and decorators left out."""
    too_long = [
        f"{path}:{node.lineno} {node.name}"
        for path in modules("collector", "simulator", "tests")
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and _body_lines(node) > MOST_FUNCTION_LINES
    ]
    assert not too_long, f"over {MOST_FUNCTION_LINES} lines: {', '.join(too_long)}"


def _body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    body = node.body[1:] if ast.get_docstring(node) else node.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


# --- import direction ---------------------------------------------------------------------------


def _misdirected(path: str) -> Iterator[str]:
    part = path.removeprefix("collector/").removesuffix(".py").split("/")[0]
    for imported in sorted(imports_of(path)):
        if not imported.startswith("collector."):
            continue
        name = imported.removeprefix("collector.")
        if part not in MAY_IMPORT:
            if name.split(".")[0] == "cli" and part not in ("cli", "__main__"):
                yield f"{path} imports {imported}"
        elif not any(f"{name}.".startswith(f"{allowed}.") for allowed in MAY_IMPORT[part]):
            yield f"{path} imports {imported}"


def test_imports_point_inward() -> None:
    """Command line, daemon, edges, core, plant: each knows only what lies further in; edges do not
    know each other, except that outlets and reports read through the journal's reader."""
    wrong = [
        found
        for path in modules("collector")
        for found in _misdirected(path)
        if not any(
            found.startswith(f"{known[0]} imports {known[1]}") for known in IMPORT_EXCEPTIONS
        )
    ]
    assert not wrong, "; ".join(wrong)
    needed = {(path, name) for path, name in IMPORT_EXCEPTIONS if name in imports_of(path)}
    assert needed == IMPORT_EXCEPTIONS, "strike what is no longer imported"


def test_the_simulator_knows_nothing_of_the_collector() -> None:
    """Its registers are encoded by its own code, so that a shared mistake cannot cancel out."""
    wrong = [
        path
        for path in modules("simulator")
        if any(name.split(".")[0] == "collector" for name in imports_of(path))
    ]
    assert not wrong, f"imports collector: {', '.join(wrong)}"


def test_only_the_demo_knows_the_simulator() -> None:
    """A collector at a real plant never touches it."""
    found = [
        path
        for path in modules("collector")
        if any(name.split(".")[0] == "simulator" for name in imports_of(path))
    ]
    expect_only(found, IMPORT_SIMULATOR, "imports the simulator")


def test_nothing_imports_tests() -> None:
    """Programs do not need them."""
    assert not [
        path
        for path in modules("collector", "simulator")
        if any(name.split(".")[0] == "tests" for name in imports_of(path))
    ]


# --- purity -------------------------------------------------------------------------------------


def test_the_core_is_pure() -> None:
    """No input or output, clock, randomness or logging: time and figures come with each input."""
    wrong: list[str] = []
    for path in modules("collector"):
        if not path.startswith("collector/core/"):
            continue
        impure = {name for name in imports_of(path) if name.split(".")[0] in IMPURE}
        wrong += [f"{path} imports {name}" for name in sorted(impure)]
        wrong += [
            f"{path}:{node.lineno} calls {node.func.id}"
            for node in ast.walk(tree_of(path))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in IMPURE_CALLS
        ]
    assert not wrong, "; ".join(wrong)


def test_only_the_clock_modules_read_a_clock() -> None:
    """Everything else is given a clock, or the time."""
    found = [
        path
        for path in modules("collector", "simulator")
        if "time" in imports_of(path) and path not in CLOCKS
    ]
    expect_only(found, TIME_EXCEPTIONS, "imports time")
    readers = {"now", "utcnow", "today"}
    wrong = [
        f"{path}:{node.lineno}"
        for path in modules("collector", "simulator")
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Attribute)
        and node.attr in readers
        and isinstance(node.value, ast.Name | ast.Attribute)
        and ast.unparse(node.value).rpartition(".")[2] in ("datetime", "date")
    ]
    assert not wrong, f"reads the wall clock: {', '.join(wrong)}"


def test_chance_is_always_seeded() -> None:
    """``Random`` is made with a seed and handed on; the module's own generator is never used."""
    wrong: list[str] = []
    unseeded: list[str] = []
    for path in modules("collector", "simulator"):
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.ImportFrom) and node.module == "random":
                wrong += [f"{path} imports {n.name}" for n in node.names if n.name != "Random"]
            elif isinstance(node, ast.Import) and any(n.name == "random" for n in node.names):
                unseeded.append(path)  # the only use of the module as such
            elif isinstance(node, ast.Call) and ast.unparse(node.func) in (
                "Random",
                "random.Random",
            ):
                if not node.args:
                    wrong.append(f"{path}:{node.lineno} makes a generator without a seed")
            elif (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id == "random"
                and node.attr in ("random", "randint", "randrange", "choice", "seed", "shuffle")
                and "random" in imports_of(path)
                and "random.Random" not in imports_of(path)
            ):
                wrong.append(f"{path}:{node.lineno} draws from the shared generator")
    assert not wrong, "; ".join(wrong)
    expect_only(unseeded, UNSEEDED, "imports random as a whole")


# --- names and words ----------------------------------------------------------------------------


def test_modules_are_named_by_what_they_are() -> None:
    """Not by being of use to others."""
    found = [
        path
        for path in modules("collector", "simulator", "tests")
        if WORDS_IN_NAMES & set(Path(path).stem.split("_"))
    ]
    expect_only(found, NAME_EXCEPTIONS, "says nothing of what it is")


Explained = dict[str, set[str]]
"""Of each class, by its name, the methods that have docstrings; under "" those of protocols."""


def _explained() -> Explained:
    found: Explained = {"": set()}
    for path in modules("collector", "simulator"):
        for node in ast.walk(tree_of(path)):
            if not isinstance(node, ast.ClassDef):
                continue
            methods = {
                method.name
                for method in node.body
                if isinstance(method, ast.FunctionDef | ast.AsyncFunctionDef)
                and ast.get_docstring(method)
            }
            found.setdefault(node.name, set()).update(methods)
            if _is_protocol(node):
                found[""] |= methods
    return found


def _is_protocol(node: ast.ClassDef) -> bool:
    return any(ast.unparse(base).startswith("Protocol") for base in node.bases)


def _undocumented(
    body: Iterable[ast.stmt], owner: str, explained: Explained, inside: ast.ClassDef | None = None
) -> Iterator[str]:
    told_elsewhere: set[str] = set()
    if inside is not None:
        bases = ["", *(ast.unparse(base).rpartition(".")[2] for base in inside.bases)]
        told_elsewhere = set().union(*(explained.get(base, set()) for base in bases))
    for node in body:
        if not isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if node.name.startswith("_"):
            continue
        name = f"{owner}{node.name}"
        by_class = inside is not None and _is_protocol(inside)
        if not (ast.get_docstring(node) or node.name in told_elsewhere or by_class):
            yield name
        if isinstance(node, ast.ClassDef):
            yield from _undocumented(node.body, f"{name}:", explained, node)


def test_what_is_public_is_explained() -> None:
    """Modules, classes, functions and methods have docstrings; a method that a protocol or a base
    class explains needs no second one, and a protocol's members may be explained by its class."""
    explained = _explained()
    missing: list[str] = []
    for path in modules("collector", "simulator"):
        tree = tree_of(path)
        if tree.body and not ast.get_docstring(tree):
            missing.append(path)
        missing += _undocumented(tree.body, f"{path}:", explained)
    expect_only(missing, UNEXPLAINED, "without a docstring")


FORBIDDEN_TEXT = {
    "a path of one machine": ("/" + "work/",),
    "the host of a registry": ("py" + "pi.", "python" + "hosted", "npm" + "js"),
}


@pytest.mark.parametrize("what", sorted(FORBIDDEN_TEXT))
def test_words_that_do_not_belong_into_the_tree(what: str) -> None:
    """Nothing depends on one machine or names where packages come from."""
    found = [path for path in tracked() if path != "LICENSE" and _holds(path, FORBIDDEN_TEXT[what])]
    assert not found, f"{what}: {', '.join(found)}"


def _holds(path: str, words: tuple[str, ...]) -> bool:
    data = (ROOT / path).read_bytes().lower()
    return any(word.encode() in data for word in words)


def test_the_top_level_holds_what_belongs_there() -> None:
    """Whoever opens the tree sees the parts of the house and nothing else."""
    there = {path.split("/")[0] for path in tracked()}
    surplus = sorted(name for name in there - TOP_LEVEL if not name.startswith("."))
    assert not surplus, f"at the top level: {', '.join(surplus)}"
