"""Options that several commands share, and what they mean."""

from __future__ import annotations

import argparse
from pathlib import Path

from collector.settings import Settings, load_settings


def add_plant(parser: argparse.ArgumentParser) -> None:
    """``--plant``: the plant file."""
    parser.add_argument(
        "--plant", type=Path, required=True, metavar="FILE", help="the plant file (YAML)"
    )


def add_settings(parser: argparse.ArgumentParser) -> None:
    """``--settings``: the settings file."""
    parser.add_argument(
        "--settings",
        type=Path,
        metavar="FILE",
        help="the settings file (YAML); without it, built-in values and WEIRKEEPER_... variables",
    )


def add_journal(parser: argparse.ArgumentParser) -> None:
    """``--journal``: the journal, for commands that only read it."""
    parser.add_argument(
        "--journal", type=Path, metavar="FILE", help="the journal; without it, that of the settings"
    )


def journal_path(options: argparse.Namespace) -> Path:
    """The journal a reading command means."""
    if options.journal is not None:
        return Path(options.journal)
    return settings_of(options).journal.path


def settings_of(options: argparse.Namespace) -> Settings:
    """The settings a command runs with.

    Raises:
        ConfigurationError: with everything that is wrong with them.
    """
    return load_settings(options.settings)


def positive(text: str) -> float:
    """A number above 0, for an option's ``type``."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e6:
        raise argparse.ArgumentTypeError(f"found '{text}', expected a number above 0")
    return value


def whole(text: str) -> int:
    """A whole number not below 0, for an option's ``type``."""
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"found '{text}', expected a whole number")
    return int(text)
