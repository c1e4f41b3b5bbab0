"""One thing wrong inside a file, before anybody has looked up the line it stands on.

The checks of a plant speak of paths of keys (``("panels", "works", "points", "p1_run", "bit")``);
``SourceTree.problem`` in ``yaml_source.py`` turns a finding into a ``Problem`` with its place.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong at a path of keys and list positions.

    Args:
        path: keys and zero-based list positions from the root of the file.
        found: what stands there, in the user's own words.
        expected: what would be right there.
        nearest: the closest valid name, or None.
        at_key: True where the key itself is wrong, not what stands behind it.
    """

    path: Path
    found: str
    expected: str
    nearest: str | None = None
    at_key: bool = False

    def below(self, *prefix: str | int) -> Finding:
        """The same finding, its path continued upwards by ``prefix``."""
        return Finding((*prefix, *self.path), self.found, self.expected, self.nearest, self.at_key)


def nearest_name(name: str, valid: Iterable[str]) -> str | None:
    """The valid name closest to a misspelt one, or None where none is close.

    Letter case and the choice of hyphen, underscore or blank count as no difference.
    """
    plain = {_plain(candidate): candidate for candidate in valid}
    close = difflib.get_close_matches(_plain(name), list(plain), n=1, cutoff=0.6)
    return plain[close[0]] if close else None


def _plain(name: str) -> str:
    return name.casefold().replace("-", "_").replace(" ", "_")
