"""Answers one request to look closer: a page of an equipment or of the plant, or one chart."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from collector.journal.reader import JournalReader
from collector.plant.model import Plant


def answer_to(
    reader: JournalReader, plant: Plant | None, request: Mapping[str, Any]
) -> dict[str, Any]:
    """The answer to a request, as it goes back to the daemon.

    Args:
        reader: of the journal.
        plant: the plant file in force, None where none ever was.
        request: ``what`` (page or chart), ``name`` of an equipment (None: the plant), ``key`` of a
            chart, ``from`` and ``to`` as they were asked for.
    """
    del reader
    if plant is None:
        return plain(503, "Nothing has been watched yet.")
    return plain(404, f"There is no {request['what']} of that name.")


def plain(status: int, sentence: str) -> dict[str, Any]:
    """An answer of one sentence."""
    return {"status": status, "kind": "text/plain", "text": sentence + "\n"}
