"""``weirkeeper run``: the daemon."""

from __future__ import annotations

import argparse
import asyncio
import signal
from pathlib import Path

from collector.cli.command import Command
from collector.cli.options import add_plant, add_settings, settings_of
from collector.daemon import Daemon
from collector.logs import start_logging
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files

ABOUT = """signals:
  SIGTERM, SIGINT  end with everything committed
  SIGHUP           read plant and rule files again; if one is bad, all of them
                   are refused and the old ones stay in force

The daemon only ever reads from panels. It is an addition to the panel's own
horn and lamp, never their replacement, and no safety system.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_plant(parser)
    parser.add_argument(
        "--rules",
        type=Path,
        action="append",
        metavar="PATH",
        help="a rule file, or a directory of them; may be given again; without it, those of the "
        "settings, else the shipped ones",
    )
    add_settings(parser)


def execute(options: argparse.Namespace) -> None:
    """Run the daemon until it is told to end."""
    plant_file = read_plant_file(Path(options.plant))
    settings = settings_of(options)
    rules = read_rule_files(options.rules or settings.rules.paths, plant_file.plant)
    start_logging(settings.log)
    asyncio.run(_serve(Daemon(plant_file, rules, settings)))


async def _serve(daemon: Daemon) -> None:
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, daemon.stop)
    loop.add_signal_handler(signal.SIGINT, daemon.stop)
    loop.add_signal_handler(signal.SIGHUP, daemon.reload)
    await daemon.run()


COMMAND = Command(
    name="run",
    summary="watch a plant: poll its panels, keep the journal, deliver",
    example="weirkeeper run --plant config/osier-bend/plant.yaml",
    add_options=add_options,
    execute=execute,
    reads_json=False,
    about=ABOUT,
)
