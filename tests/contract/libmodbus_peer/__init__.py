"""Starts the panel made of libmodbus (``peer.c``) that the tests read.

The program is compiled once per process from Debian's ``libmodbus-dev``; a missing compiler or
library is an error that says what to install.
"""

from __future__ import annotations

import atexit
import functools
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

BITS = 2500
REGISTERS = 400
TABLE_OF_FUNCTION = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
Contents = Mapping[tuple[int, int], int]
"""Values by function code and address; what is not given is 0."""


@functools.cache
def program() -> Path:
    """The compiled peer."""
    directory = tempfile.mkdtemp(prefix="libmodbus-peer-")
    atexit.register(shutil.rmtree, directory, ignore_errors=True)
    target = Path(directory) / "peer"
    source = Path(__file__).with_name("peer.c")
    command = ["gcc", "-O2", "-Wall", "-Werror", "-I/usr/include/modbus", "-o", str(target)]
    try:
        built = subprocess.run(
            [*command, str(source), "-lmodbus"], capture_output=True, text=True, check=False
        )
    except FileNotFoundError as error:
        raise RuntimeError("gcc is missing: apt-get install gcc libmodbus-dev") from error
    if built.returncode:
        raise RuntimeError(f"apt-get install libmodbus-dev? The peer: {built.stderr}")
    return target


@contextmanager
def tcp_peer(contents: Contents, flip: tuple[int, int] | None = None) -> Iterator[int]:
    """A panel on Modbus TCP on a free port of the loopback; yields the port.

    Args:
        contents: what it holds.
        flip: a discrete input, and with every how many requests it changes.
    """
    with tcp_peers(1, contents, flip) as ports:
        yield ports[0]


@contextmanager
def tcp_peers(
    count: int, contents: Contents, flip: tuple[int, int] | None = None
) -> Iterator[list[int]]:
    """The same panel on so many free ports of the loopback, at most 500; yields the ports."""
    with _running(["tcp", str(count)], contents, flip) as ports:
        yield ports


@contextmanager
def rtu_peer(device: str, unit: int, baud: int, contents: Contents) -> Iterator[None]:
    """A panel on a serial line."""
    with _running(["rtu", device, str(unit), str(baud)], contents):
        yield


@contextmanager
def _running(
    arguments: list[str], contents: Contents, flip: tuple[int, int] | None = None
) -> Iterator[list[int]]:
    process = subprocess.Popen(
        [str(program()), *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        for (function, address), value in contents.items():
            process.stdin.write(f"{TABLE_OF_FUNCTION[function]} {address} {value}\n")
        if flip is not None:
            process.stdin.write(f"flip {flip[0]} {flip[1]}\n")
        process.stdin.write("serve\n")
        process.stdin.flush()
        ready = process.stdout.readline().split()
        if ready[:1] != ["ready"]:
            raise RuntimeError(f"the libmodbus peer did not start: {arguments}")
        yield [int(port) for port in ready[1:]]
    finally:
        process.kill()
        process.wait()
        process.stdin.close()
        process.stdout.close()
