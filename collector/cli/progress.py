"""Shows how far a long piece of work is, on the error stream, and only where a person looks on.

Nothing is shown where the stream is no terminal, nor for work that ends within a second; what was
shown is wiped when it ends.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from tqdm import tqdm

SHOWN_AFTER_S = 1.0
Tell = Callable[[float], None]
"""Takes the share that is done, 0 to 1."""


@contextmanager
def progress(what: str) -> Iterator[Tell]:
    """Show how far a piece of work is.

    Args:
        what: in a word or two.
    """
    bar = tqdm(
        total=100, desc=what, file=sys.stderr, disable=not sys.stderr.isatty(), leave=False,
        delay=SHOWN_AFTER_S, bar_format="{desc} {percentage:3.0f} % |{bar}| {remaining} left",
    )  # fmt: skip

    def tell(share: float) -> None:
        bar.update(max(0.0, min(100.0, 100.0 * share) - bar.n))

    try:
        yield tell
    finally:
        bar.close()


def share_of(tell: Tell, begin: int, end: int) -> Callable[[int], None]:
    """Takes how far a stretch of numbers or instants has been worked through."""

    def reached(at: int) -> None:
        tell((at - begin) / max(1, end - begin))

    return reached
