"""``python -m tests.fuzz FRAMES [SEED]``: a long run, with a table of what was tried."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from random import Random

from tests.fuzz.files import file_cases
from tests.fuzz.frames import mbap_cases, rtu_cases
from tests.fuzz.spoken import action_cases, export_cases


def main(frames: int, seed: int) -> None:
    """Half of the frames in each framing, and a share of files, actions and exports."""
    began = time.perf_counter()
    rng = Random(seed)
    print(f"seed {seed}")
    print("what                tried    believed or good")
    for name, cases in (("Modbus TCP replies", mbap_cases), ("Modbus RTU replies", rtu_cases)):
        print(f"{name:18} {frames // 2:8}    {cases(rng, frames // 2)}")
    with tempfile.TemporaryDirectory() as folder:
        good = file_cases(rng, frames // 200, Path(folder))
        print(f"{'files':18} {frames // 200:8}    {good}")
        print(f"{'actions':18} {frames // 10:8}    {action_cases(rng, frames // 10)}")
        missed = export_cases(rng, frames // 200, Path(folder))
        print(f"{'exports':18} {frames // 200:8}    {missed} changed and not noticed")
    print(f"{time.perf_counter() - began:.0f} s; nothing crashed, nothing wrong was believed")


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:]]
    main(*(words + [1_000_000, 1][len(words) :]))
