"""Lives of alarms, desk against reference, for as many steps as are asked for.

python -m tests.bench.alarm_model 100000
"""

from __future__ import annotations

import sys
import time

from tests.unit.core.alarms.sequences import live

STEPS_A_LIFE = 200


def main() -> None:
    """Live until there were so many steps; ends with the script of the first life that differs."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    began = time.perf_counter()
    lives = -(-wanted // STEPS_A_LIFE)
    for seed in range(lives):
        live(seed, STEPS_A_LIFE)
    taken_s = time.perf_counter() - began
    print(
        f"{lives} lives, {lives * STEPS_A_LIFE} steps in {taken_s:.1f} s: desk and reference agree"
    )


if __name__ == "__main__":
    main()
