"""``weirkeeper password``: sets the password of the page."""

from __future__ import annotations

import argparse
import contextlib
import getpass
import os
import sys
import tempfile
from pathlib import Path

from collector.cli.command import Answer, Command
from collector.errors import CommandLineError
from collector.page.access import LONGEST_PASSWORD_BYTES, SHORTEST_PASSWORD, hash_of

ABOUT = """It is asked for twice, or read as one line of the standard input where that is
no terminal; it is never an option, which others could see. Only its argon2 hash
is kept, in a file that its owner alone may read. Give that file to the page:

  page: {password_file: page.password}

A running daemon takes another password with the next request.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("file", type=Path, metavar="FILE", help="where its hash is kept")


def execute(options: argparse.Namespace) -> Answer:
    """Ask for a password and keep its hash."""
    path: Path = options.file
    password = _asked()
    if len(password) < SHORTEST_PASSWORD:
        raise CommandLineError(
            f"found a password of {len(password)} characters, expected {SHORTEST_PASSWORD} at least"
        )
    if len(password.encode()) > LONGEST_PASSWORD_BYTES:
        raise CommandLineError(
            f"found a password of more than {LONGEST_PASSWORD_BYTES} bytes, expected fewer"
        )
    try:
        _keep(path, hash_of(password))
    except OSError as error:
        raise CommandLineError(f"cannot write {path}: {error.strerror}") from error
    return Answer(f"the hash of the password is in {path}", {"file": str(path)})


def _asked() -> str:
    if not sys.stdin.isatty():
        try:
            return sys.stdin.readline().rstrip("\r\n")
        except UnicodeDecodeError as error:
            raise CommandLineError("found a password that is not UTF-8, expected text") from error
    try:
        password = getpass.getpass("password of the page: ")
        if getpass.getpass("once more: ") != password:
            raise CommandLineError("found two different passwords, expected the same twice")
    except (EOFError, KeyboardInterrupt) as error:
        raise CommandLineError("no password was given; nothing has changed") from error
    return password


def _keep(path: Path, text: str) -> None:
    """Write a file for its owner alone, at once as a whole, never half."""
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")  # mode 0600
    try:
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


COMMAND = Command(
    name="password",
    summary="set the password of the page",
    example="weirkeeper password page.password",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
