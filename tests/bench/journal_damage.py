"""What a start makes of damaged journals: a table of faults.

    .venv/bin/python -m tests.bench.journal_damage N

N journals are damaged by each fault. Replaced: set aside, a fresh one in their place. Salvaged: the
share of the original's records that is there afterwards and as it was; readable is the share that a
program gets which reads until an error comes. Unseen: records with another value, because a byte of
it was altered, which nothing in the file shows. Untold: losses that nothing tells of. Wrong: what
must not be, a crash among it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.faults.faulty_disk import MEMORY
from tests.faults.journal_damage import make_original, meet
from tests.faults.journal_damages import FAULTS

HEAD = (
    f"{'kind of fault':<30}{'tried':>7}{'replaced':>10}{'salvaged':>10}{'readable':>10}"
    f"{'unseen':>8}{'untold':>8}{'wrong':>7}"
)


def main() -> int:
    """Print the table; 1 if anything was wrong or a loss was not told."""
    parser = argparse.ArgumentParser(description="damage journals and start on them")
    parser.add_argument("count", type=int, metavar="N", help="journals for each fault")
    parser.add_argument("--hours", type=float, default=4.0, help="virtual hours of the original")
    options = parser.parse_args()
    bad = 0
    said: list[str] = []
    print(HEAD)
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        made = Path(name) / "original"
        made.mkdir()
        original = make_original(made, options.hours)
        for fault in FAULTS:
            met = [meet(original, Path(name) / "x", fault, n) for n in range(options.count)]
            all_rows = len(original.rows) * len(met)
            untold = sum(not one.told for one in met)
            wrong = sum(bool(one.wrong) for one in met)
            bad += untold + wrong
            said += [f"{fault}, {one.seed}: {text}" for one in met for text in one.wrong]
            print(
                f"{fault:<30}{len(met):>7}{sum(one.replaced for one in met):>10}"
                f"{sum(one.kept for one in met) / all_rows:>10.1%}"
                f"{sum(one.readable for one in met) / all_rows:>10.1%}"
                f"{sum(one.unseen for one in met):>8}{untold:>8}{wrong:>7}",
                flush=True,
            )
    for sentence in said[:20]:
        print(sentence)
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
