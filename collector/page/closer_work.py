"""The process that draws: reads requests as lines of JSON, answers each with a line.

It reads the journal and nothing else; what plant it is stands there.
"""

from __future__ import annotations

import json
import os
import sys
import traceback
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, TextIO

from collector.journal.reader import JournalReader
from collector.page.closer import answer_to
from collector.plant.load import parse_plant
from collector.plant.model import Plant

LOWER = 10
"""Of niceness: polling goes first. nice(2)."""
FIRST_TO_GO = "1000"
"""Where memory runs out this process goes, not the daemon. Source: proc_pid_oom_score_adj(5)."""


def work(reader: JournalReader, requests: Iterable[str], answers: TextIO) -> None:
    """Answer requests until there are no more."""
    plant: Plant | None = None
    in_force = ""
    for line in requests:
        try:
            kept = reader.configuration_in_force("plant")
            if kept is not None and kept.hash != in_force:
                plant = parse_plant(kept.text, "plant file on record")
                in_force = kept.hash
            answer = answer_to(reader, plant, json.loads(line))
        except Exception:
            answer = {"bug": traceback.format_exc()}
        answers.write(json.dumps(answer) + "\n")
        answers.flush()


def step_back() -> None:
    """Give everybody else precedence; where the system forbids it, without."""
    with suppress(OSError):
        os.nice(LOWER)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(FIRST_TO_GO, "ascii")


def main(arguments: list[Any]) -> None:
    """Serve the daemon that has started this."""
    step_back()
    answers = sys.stdout
    sys.stdout = sys.stderr  # a library that prints must not speak in between
    with JournalReader(Path(arguments[0])) as reader:
        work(reader, sys.stdin, answers)


if __name__ == "__main__":
    main(sys.argv[1:])
