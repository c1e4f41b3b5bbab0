"""``weirkeeper demo``: the simulated plant and the collector together, on embedded defaults."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import re
import shutil
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli.command import Answer, Command
from collector.cli.month import DAY_US, START_US, month_answer
from collector.cli.options import add_settings, positive, settings_of, whole
from collector.cli.status import picture_lines
from collector.clock import MICROSECONDS, SystemClock
from collector.errors import ConfigurationError, Problem
from collector.journal.reader import JournalReader
from collector.logs import start_logging
from collector.plant_file import PlantFile, read_plant_file
from collector.reports.picture import draw_picture
from collector.rule_files import read_rule_files
from collector.settings import LogSettings, PageSettings, Settings
from simulator.plant import OsierBend
from simulator.server import serve

if TYPE_CHECKING:  # a virtual month does without links and outlets, and without their memory
    from collector.cli.demo_papers import Beginning
    from collector.daemon import Daemon

PLANT_FILE = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
USUAL_HISTORY_DAYS = 30
REDRAW_S = 1.0
REPRINT_S = 20.0  # where there is no terminal to redraw
BEFORE_DOCKING_US = 12 * MICROSECONDS
CLEAR = "\x1b[H\x1b[2J"

ABOUT = """The plant is invented: Osier Bend holiday park with its treatment works, the
Lower Meadow lift sump and a bowser. First thirty days of its past are made,
with a few faults and people who answered them, up to this moment; the record of
that time and the sheet of the next visit are written. Then it goes on live,
with a page to look at. In the second half minute the link to Lower Meadow is
down for a while, a little later a pump trips, so that something can be seen.

With a broker or a store in the settings, records go there too; --days stays on
this machine.

exit code 1: --days counted something else than was true
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    length = parser.add_mutually_exclusive_group()
    length.add_argument(
        "--for",
        dest="for_s",
        type=positive,
        metavar="SECONDS",
        help="end by itself; without it, Ctrl-C ends",
    )
    length.add_argument(
        "--days",
        type=positive,
        metavar="DAYS",
        help="run so many virtual days at once and compare with the truth",
    )
    parser.add_argument(
        "--history",
        type=whole,
        default=USUAL_HISTORY_DAYS,
        metavar="DAYS",
        help=f"make so many days of past first ({USUAL_HISTORY_DAYS}); 0 begins afresh",
    )
    parser.add_argument("--seed", type=whole, default=1, help="of the simulated plant (1)")
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="DIR",
        help="keep journal and plant file there; without it they are thrown away",
    )
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer | None:
    """Run the demo, live or virtual."""
    settings = settings_of(options)
    with contextlib.ExitStack() as stack:
        folder = options.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        _make_folder(folder)
        if options.days is not None:
            plant_file = read_plant_file(PLANT_FILE)
            rules = read_rule_files(settings.rules.paths, plant_file.plant)
            return month_answer(plant_file, folder, options.days, options.seed, rules)
        begun = _begin(options, folder, settings)
        return asyncio.run(_live(options, folder, settings, begun))


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        found = f"a folder that cannot be made ({error.strerror})"
        raise ConfigurationError(
            [Problem(str(folder), None, None, "", found, "a writable folder")]
        ) from error
    if (folder / "weirkeeper.journal").exists():
        raise ConfigurationError([Problem(str(folder), None, None, "", "a journal already there",
                                          "a folder of its own for the demo")])  # fmt: skip


def _begin(options: argparse.Namespace, folder: Path, settings: Settings) -> Beginning:
    """The plant with its past, if one is wanted, and what was written of it."""
    from collector.cli.demo_history import make_history
    from collector.cli.demo_papers import Beginning, show_faults, write_papers

    plant_file = _plant_file(folder)
    rules = read_rule_files(settings.rules.paths, plant_file.plant)
    path = folder / "weirkeeper.journal"
    if not options.history:
        return Beginning(plant_file, rules, _simulated(options.seed), ())
    if not options.json:
        days = f"{options.history} day{'s' if options.history > 1 else ''}"
        print(f"Making the past of an invented plant, {days} up to now: about two seconds a day.",
              flush=True)  # fmt: skip
    papers: list[Path] = []

    def write() -> None:
        if not options.json:
            print("Writing the record of that time and the sheet of the next visit.", flush=True)
        papers.extend(write_papers(path, folder))
        import collector.daemon  # noqa: F401, the stop before it goes on live is to be short

    history = make_history(plant_file, rules, path, options.history, options.seed, write)
    show_faults(history.plant)
    return Beginning(plant_file, rules, history.plant, papers)


async def _live(
    options: argparse.Namespace, folder: Path, settings: Settings, begun: Beginning
) -> Answer:
    from collector.cli.demo_papers import PAGE_PORT, free_port, places_to_look, summary

    plant = begun.plant
    path = folder / "weirkeeper.journal"
    changed = {"journal": settings.journal.model_copy(update={"path": path}),
               "page": settings.page or PageSettings(port=free_port(PAGE_PORT))}  # fmt: skip
    settings = settings.model_copy(update=changed)
    ports = {
        name: getattr(begun.plant_file.plant.links[panel.link], "port", 0)
        for name, panel in begun.plant_file.plant.panels.items()
    }
    with (folder / "demo.log").open("w", encoding="utf-8") as log:
        # The screen belongs to the picture; the daemon's own log goes beside the journal.
        start_logging(LogSettings(format="text", level=settings.log.level), log)
        async with serve(plant, ports):
            from collector.daemon import Daemon

            daemon = Daemon(begun.plant_file, begun.rules, settings)
            # With a history all of it was watched; else only what runs from here on.
            true_before_us = {} if options.history else _true_runs_us(plant)
            head = [] if options.json else places_to_look(settings, folder, begun.papers)
            if not (options.keep or options.json):
                head.append("         all is thrown away at the end; --keep DIR keeps it")
            await _watch(daemon, None if options.json else path, options.for_s, head)
            true_s = {
                name: (run_us - true_before_us.get(name, 0)) / 1e6
                for name, run_us in _true_runs_us(plant).items()
            }
    with JournalReader(path) as reader:
        picture = draw_picture(path, reader)
        counted = Counter(record.kind.word for record in reader.records_after(0, 1_000_000))
    return summary(picture, counted, true_s, options.keep)


def _simulated(seed: int) -> OsierBend:
    """The plant on a summer Saturday morning, shortly before the bowser docks."""
    from collector.cli.demo_papers import show_faults

    scout = OsierBend(seed, START_US)
    scout.advance_to(START_US + 3 * DAY_US + DAY_US // 4)
    here = scout.panels["bowser"].reachable()
    while scout.panels["bowser"].reachable() or here:
        here = scout.panels["bowser"].reachable()
        scout.advance_until_change(scout.now_us + DAY_US)
    while not scout.panels["bowser"].reachable():
        scout.advance_until_change(scout.now_us + DAY_US)
    begin_us = scout.now_us - BEFORE_DOCKING_US
    plant = OsierBend(seed, START_US)
    plant.advance_to(begin_us)
    show_faults(plant)
    return plant


def _true_runs_us(plant: OsierBend) -> dict[str, int]:
    return {name: true.run_us(plant.now_us) for name, true in plant.truth.machines.items()}


def _plant_file(folder: Path) -> PlantFile:
    """The example's plant file with ports that are free, so that nothing can collide."""
    from collector.cli.demo_papers import free_port

    text = PLANT_FILE.read_text(encoding="utf-8")
    for link in read_plant_file(PLANT_FILE).plant.links.values():
        text = re.sub(rf"port: {getattr(link, 'port', 0)}\b", f"port: {free_port()}", text)
    path = folder / "plant.yaml"
    path.write_text(text, encoding="utf-8")
    return read_plant_file(path)


async def _watch(
    daemon: Daemon, shown: Path | None, for_s: float | None, head: Sequence[str]
) -> None:
    """Run the daemon until time is up or someone ends it, and show the picture of a journal."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop)
    ready = asyncio.Event()
    working = asyncio.create_task(daemon.run(ready.set))
    showing = asyncio.create_task(_show(ready, shown, head))
    try:
        await asyncio.wait({working, showing}, timeout=for_s, return_when=asyncio.FIRST_COMPLETED)
        daemon.stop()
        await working
    finally:
        showing.cancel()
        await asyncio.gather(showing, return_exceptions=True)
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.remove_signal_handler(number)


async def _show(ready: asyncio.Event, path: Path | None, head: Sequence[str]) -> None:
    """Draw the picture again and again: in place on a terminal, now and then elsewhere."""
    await ready.wait()
    if path is None:
        await asyncio.Event().wait()  # nothing is to be shown; whoever started this cancels it
        return
    on_terminal = sys.stdout.isatty()
    clock = SystemClock()
    print("\n".join(head), flush=True)
    with JournalReader(path) as reader:
        while True:
            await asyncio.sleep(REDRAW_S if on_terminal else REPRINT_S)
            picture = draw_picture(path, reader)
            if picture is None:
                continue
            lines = picture_lines(picture, clock.wall_us())
            if on_terminal:  # where to look stays in sight
                lines = [*head, "", *lines]
            # The screen is as high as it is; what does not fit is left to "status".
            if on_terminal:
                room = shutil.get_terminal_size().lines - 1
                print(CLEAR + "\n".join(lines[:room]), flush=True)
            else:
                print("\n".join(lines), end="\n\n", flush=True)


COMMAND = Command(
    name="demo",
    summary="run the simulated plant and watch it",
    example="weirkeeper demo --for 60",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
