"""The command line: finds the command, prints its answer, turns errors into one line and a code."""

from __future__ import annotations

import argparse
import io
import json
import os
import re
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn

from collector import __version__
from collector.cli.command import Answer, Command, near
from collector.errors import CommandLineError, ExitCode, WeirkeeperError
from collector.settings import TRACEBACK

NAMES = (
    "run",
    "check",
    "loopcheck",
    "status",
    "alarms",
    "notices",
    "findings",
    "service",
    "logbook",
    "report",
    "export",
    "flows",
    "runtime",
    "cycles",
    "recompute",
    "rehearse",
    "restore",
    "verify",
    "curve",
    "password",
    "demo",
)
"""Every command, each in the module of its name; only the one that is asked for is loaded."""

OPTION = re.compile(r"--?[a-zA-Z]")

EXIT_CODES = """exit codes:
  0   done
  1   the answer is no (something is not well)
  2   the command line is wrong
  3   a plant, rule or settings file is wrong
  4   the journal cannot be used
  5   a panel, broker or store that the command needs cannot be reached
  70  a bug of this program

This tool watches; it is no safety system, and the panel's own alarms stay in
force.
"""


class Parser(argparse.ArgumentParser):
    """An argument parser that says what was meant."""

    def error(self, message: str) -> NoReturn:
        """Say in one line what is wrong and how to find out more."""
        message = message.replace("the following arguments are required:", "it needs")
        message = message.replace("unrecognized arguments:", "nothing asks for")
        self.exit(ExitCode.USAGE, f"{self.prog}: {message}; '{self.prog} --help' explains\n")


def commands_of(names: Sequence[str] = NAMES) -> tuple[Command, ...]:
    """Commands by their names, loaded."""
    return tuple(import_module(f"collector.cli.{name}").COMMAND for name in names)


def build_parser(loaded: Sequence[Command]) -> Parser:
    """The parser of a command line that names one of some commands."""
    parser = Parser(
        prog="weirkeeper",
        description="Watches small unmanned sewage treatment plants through their panels.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"weirkeeper {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for command in loaded:
        sub = commands.add_parser(
            command.name,
            help=command.summary,
            description=command.summary[0].upper() + command.summary[1:] + ".",
            epilog=f"example:\n  {command.example}\n{command.about and chr(10) + command.about}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        command.add_options(sub)
        if command.reads_json:
            sub.add_argument("--json", action="store_true", help="print JSON for a program")
    return parser


def main(arguments: Sequence[str]) -> ExitCode:
    """Run one command line and say how it ended."""
    asked = [name for name in arguments[:1] if name in NAMES]
    loaded = commands_of(asked or NAMES)
    parser = build_parser(loaded)
    known = {command.name: command for command in loaded}
    if arguments and not arguments[0].startswith("-") and not asked:
        parser.error(f"there is no command '{arguments[0]}'{near(arguments[0], NAMES)}")
    _refuse_unknown_options(arguments, parser)
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help()
        return ExitCode.USAGE
    try:
        answer = known[options.command].execute(options)
    except CommandLineError as error:
        _asked(parser, arguments).error(str(error))
    except WeirkeeperError as error:
        print(_sentence(error), file=sys.stderr)
        return error.exit_code
    if answer is None:
        return ExitCode.DONE
    if answer.exit_code is ExitCode.USAGE:
        _asked(parser, arguments).error(answer.text)
    _print(answer, as_json=getattr(options, "json", False))
    return answer.exit_code


def _choices(parser: argparse.ArgumentParser) -> dict[str, Parser]:
    """The commands of a parser, or the words of a command that has some."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            found: dict[str, Parser] = action.choices
            return found
    return {}


def _asked(parser: Parser, arguments: Sequence[str]) -> Parser:
    """The parser of the command, and of its word, that a command line names."""
    for word in arguments:
        parser = _choices(parser).get(word, parser)
    return parser


def _options(parser: Parser) -> list[str]:
    return [name for action in parser._actions for name in action.option_strings]


def _refuse_unknown_options(arguments: Sequence[str], parser: Parser) -> None:
    """Name the nearest option before anything else is complained about."""
    asked = parser
    for place, word in enumerate(arguments):
        if word == "--":
            return
        choices = _choices(asked)
        if word in choices:
            asked = choices[word]
        elif choices and place == 1 and not word.startswith("-"):
            asked.error(f"there is no '{asked.prog} {word}'{near(word, choices)}")
        options = _options(asked)
        name = word.partition("=")[0]
        if OPTION.match(word) and name not in options:
            if asked is parser and any(
                name in _options(choice) for choice in _choices(parser).values()
            ):
                parser.error(f"the option '{name}' goes after the command")
            asked.error(f"there is no option '{name}'{near(name, options)}")


def _sentence(error: WeirkeeperError) -> str:
    return "\n".join(f"weirkeeper: {line}" for line in str(error).splitlines())


def _print(answer: Answer, as_json: bool) -> None:
    if as_json:
        readable = (sys.stdout.encoding or "").lower() == "utf-8"
        print(json.dumps(answer.data, indent=2, ensure_ascii=not readable))
    elif answer.text:
        print(answer.text)


def run_from_shell() -> NoReturn:
    """Entry point of the ``weirkeeper`` command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks a character shows "?"
    try:
        code = main(sys.argv[1:])
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read our output has gone; keep the interpreter from complaining about it too.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = ExitCode.DONE
    except KeyboardInterrupt:
        code = ExitCode.DONE
    except Exception as error:
        if os.environ.get(TRACEBACK):
            raise
        print(
            f"weirkeeper: a bug of ours: {type(error).__name__}: {error} "
            f"({TRACEBACK}=1 shows where)",
            file=sys.stderr,
        )
        code = ExitCode.BUG
    sys.exit(code)
