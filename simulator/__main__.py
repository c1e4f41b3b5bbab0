"""``python -m simulator``: serve the simulated plant, or run it in virtual time."""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from simulator.clock import utc_now_us
from simulator.faults import FAULTS, BadScript
from simulator.maps import register_maps
from simulator.plant import OsierBend
from simulator.schedule import DAY_US
from simulator.server import serve

DEFAULT_PORTS = "works=15020,meadow=15021,bowser=15022"
SUMMER_US = int(datetime(2025, 7, 12, tzinfo=UTC).timestamp()) * 1_000_000
USAGE_ERROR = 2
UNREACHABLE = 5


class BadOption(ValueError):
    """An option makes no sense; the text is one sentence."""


def parse_ports(text: str) -> dict[str, int]:
    """``works=15020,meadow=0`` as a table.

    Raises:
        BadOption: an unknown panel, or something that is no port.
    """
    panels = register_maps()
    ports: dict[str, int] = {}
    for item in text.split(","):
        name, _, port = item.partition("=")
        if name not in panels:
            raise BadOption(f"--ports: found panel '{name}', expected one of {', '.join(panels)}")
        if not (port.isdecimal() and int(port) <= 65535):
            raise BadOption(f"--ports: found '{port}' for {name}, expected a port from 0 to 65535")
        ports[name] = int(port)
    return ports


def parse_instant(text: str) -> int:
    """An RFC 3339 instant in microseconds since 1970 UTC.

    Raises:
        BadOption: it is none, or has no zone.
    """
    try:
        instant = datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError:
        instant = None
    if instant is None or instant.tzinfo is None:
        raise BadOption(
            f"--start: found '{text}', expected an instant such as 2025-07-12T06:00:00Z"
        )
    return round(instant.timestamp() * 1_000_000)


def _arguments() -> argparse.ArgumentParser:
    faults = "\n".join(f"  {name:<24}{kind.means} ({kind.on})" for name, kind in FAULTS.items())
    parser = argparse.ArgumentParser(
        prog="python -m simulator",
        description="The simulated plant of Osier Bend holiday park (invented).",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog=f"faults a script may name, and what they are put on:\n{faults}\n\n"
        "example script line:\n  at 2h for 15m float_stuck collection.start_1 made",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="command")
    serve_ = commands.add_parser("serve", help="serve the panels over Modbus TCP in real time")
    serve_.add_argument(
        "--ports", default=DEFAULT_PORTS, help=f"default {DEFAULT_PORTS}; 0 is a free port"
    )
    serve_.add_argument(
        "--host", default="127.0.0.1", help="address to listen on, default loopback"
    )
    serve_.add_argument("--speed", type=float, default=1.0, help="simulated seconds a second")
    truth = commands.add_parser("truth", help="run in virtual time and print what happened")
    truth.add_argument("--days", type=float, default=30.0)
    truth.add_argument("--json", action="store_true", help="for a program to read")
    for command in (serve_, truth):
        command.add_argument("--seed", type=int, default=1)
        command.add_argument("--script", type=Path, help="fault script")
        command.add_argument("--start", help="first instant, RFC 3339; serve: now, truth: 12 July")
    return parser


def _plant(options: argparse.Namespace, default_start_us: int) -> OsierBend:
    start_us = parse_instant(options.start) if options.start else default_start_us
    script, name = None, "script"
    if options.script is not None:
        name = str(options.script)
        try:
            script = options.script.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise BadOption(f"--script: {name} cannot be read: {error}") from error
    return OsierBend(options.seed, start_us, script, script_name=name)


async def _serve(options: argparse.Namespace) -> None:
    if not 0.0 < options.speed <= 10_000.0:
        raise BadOption(f"--speed: found {options.speed}, expected more than 0, at most 10000")
    plant = _plant(options, utc_now_us())
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    async with serve(
        plant, parse_ports(options.ports), host=options.host, speed=options.speed
    ) as up:
        for name, port in up.ports.items():
            unit = plant.panels[name].image.map.unit_identifier
            print(f"{name} {options.host}:{port} unit {unit}", flush=True)
        await stop.wait()


def main() -> int:
    """Run a command; returns the exit code."""
    options = _arguments().parse_args()
    try:
        if options.command == "serve":
            asyncio.run(_serve(options))
        else:
            plant = _plant(options, SUMMER_US)
            plant.advance_to(plant.start_us + round(options.days * DAY_US))
            truth = plant.truth
            sys.stdout.write(truth.to_json() + "\n" if options.json else truth.summary())
    except (BadScript, BadOption) as error:
        print(error, file=sys.stderr)
        return USAGE_ERROR
    except OSError as error:
        print(f"the panels cannot be served: {error}", file=sys.stderr)
        return UNREACHABLE
    return 0


if __name__ == "__main__":
    with suppress(BrokenPipeError, KeyboardInterrupt):
        sys.exit(main())
