"""The EPANET 2.2 engine, called through the shared library that the package ``wntr`` brings.

Only the library is used, not the package: it is found without importing it, and called as its
header ``epanet2_2.h`` says. Codes are those of ``epanet2_enums.h``.
"""

from __future__ import annotations

import ctypes
import importlib.util
import platform
from collections.abc import Sequence
from pathlib import Path

JUNCTION, RESERVOIR = 0, 1
PIPE, PUMP = 1, 2
LPS = 5
HW, DW = 0, 1
ELEVATION, HEAD = 0, 10
INITSETTING, FLOW, PUMP_STATE = 5, 8, 16
ACCURACY = 1
LEAST_ERROR = 100  # lower codes are warnings: a result, with something to say about it


def _library() -> ctypes.CDLL:
    package = importlib.util.find_spec("wntr")
    if package is None or package.origin is None:
        raise RuntimeError("the package wntr is missing: tests/run.sh installs it")
    machine = {"x86_64": "linux-x64", "aarch64": "linux-arm64"}.get(platform.machine(), "?")
    folder = Path(package.origin).parent / "epanet" / "libepanet" / machine
    return ctypes.CDLL(str(folder / "libepanet22.so"))


class Project:
    """One network in the engine; free it with ``close``."""

    def __init__(self, report: str, headloss: int) -> None:
        self._engine = _library()
        self._handle = ctypes.c_void_p()
        self._check(self._engine.EN_createproject(ctypes.byref(self._handle)))
        self._call("EN_init", report.encode(), b"", LPS, headloss)

    def close(self) -> None:
        """Free the network."""
        self._check(self._engine.EN_deleteproject(self._handle))

    def add_node(self, name: str, kind: int) -> None:
        """Add a junction or reservoir."""
        self._index("EN_addnode", name.encode(), kind)

    def node(self, name: str) -> int:
        """The present number of a node."""
        return self._index("EN_getnodeindex", name.encode())

    def set_node(self, node: int, what: int, value: float) -> None:
        """Set a property of a node."""
        self._call("EN_setnodevalue", node, what, ctypes.c_double(value))

    def node_value(self, node: int, what: int) -> float:
        """A property or result of a node."""
        return self._figure("EN_getnodevalue", node, what)

    def add_link(self, name: str, kind: int, begin: str, end: str) -> int:
        """Add a pipe or pump; returns its number."""
        return self._index("EN_addlink", name.encode(), kind, begin.encode(), end.encode())

    def set_link(self, link: int, what: int, value: float) -> None:
        """Set a property of a link."""
        self._call("EN_setlinkvalue", link, what, ctypes.c_double(value))

    def link_value(self, link: int, what: int) -> float:
        """A property or result of a link."""
        return self._figure("EN_getlinkvalue", link, what)

    def set_pipe(self, pipe: int, length: float, diameter: float, rough: float, k: float) -> None:
        """Length in m, diameter in mm, roughness of the headloss form, minor loss."""
        figures = [ctypes.c_double(value) for value in (length, diameter, rough, k)]
        self._call("EN_setpipedata", pipe, *figures)

    def set_accuracy(self, accuracy: float) -> None:
        """When the engine stops iterating."""
        self._call("EN_setoption", ACCURACY, ctypes.c_double(accuracy))

    def add_curve(self, name: str, points: Sequence[tuple[float, float]]) -> int:
        """A curve through points; returns its number."""
        self._call("EN_addcurve", name.encode())
        curve = self._index("EN_getcurveindex", name.encode())
        row = ctypes.c_double * len(points)
        across = row(*(x for x, _ in points))
        up = row(*(y for _, y in points))
        self._call("EN_setcurve", curve, across, up, len(points))
        return curve

    def set_pump_curve(self, pump: int, curve: int) -> None:
        """Give a pump its head curve."""
        self._call("EN_setheadcurveindex", pump, curve)

    def solve(self) -> None:
        """Solve the hydraulics."""
        self._call("EN_solveH")

    def _index(self, name: str, *arguments: object) -> int:
        index = ctypes.c_int()
        self._call(name, *arguments, ctypes.byref(index))
        return index.value

    def _figure(self, name: str, *arguments: object) -> float:
        figure = ctypes.c_double()
        self._call(name, *arguments, ctypes.byref(figure))
        return figure.value

    def _call(self, name: str, *arguments: object) -> None:
        self._check(getattr(self._engine, name)(self._handle, *arguments))

    def _check(self, code: int) -> None:
        if code >= LEAST_ERROR:
            raise RuntimeError(f"the EPANET engine answers with error {code}")
