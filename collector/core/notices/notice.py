"""One notice and how its life stands in the journal.

A notice is wanted, then attempted, then sent or failed; one that failed is attempted again while
it still says what is so, else it is given up and another takes its place. The subject of its
records is ``person.way``, their value JSON of the rest. An attempt is on record before it is made;
one without a result may have arrived, and is marked as a possible repeat when made again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from collector.core.records import Record, RecordKind

WANTED, ATTEMPTED, SENT = "wanted", "attempted", "sent"
FAILED, GIVEN_UP = "failed", "given up"

ALARM, DIGEST, SERVICE = "alarm", "digest", "service"

# What an alarm notice says of an activation.
STANDS, AGAIN, ENDED, GONE = "stands", "stands still", "ended", "came and went"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to tell one person in one way.

    Args:
        id: the same for the same content, so that a restart comes to the same notice.
        to: ``person.way``.
        kind: ``alarm``, ``digest`` or ``service``.
        about: what it says of each thing: of ``equipment.rule#activation`` whether it stands,
            ended or came and went, of ``equipment.task`` its state and since when it counts.
        day: of a digest its plant day, as ``2026-07-01``.
        flood: whether it was made in a flood.
        attempt: number of the attempt, 0 before the first.
        may_be_repeat: whether an earlier attempt may have arrived.
        uncertain: of a failure, whether it may have arrived all the same.
        title: first line.
        why: reason of a failure or of giving it up.
    """

    id: str
    to: str
    kind: str
    about: Mapping[str, str] = field(default_factory=dict)
    day: str = ""
    flood: bool = False
    attempt: int = 0
    may_be_repeat: bool = False
    uncertain: bool = False
    title: str = ""
    why: str = ""

    @property
    def person(self) -> str:
        """Who is told."""
        return self.to.partition(".")[0]

    @property
    def way(self) -> str:
        """By which way."""
        return self.to.partition(".")[2]


def id_of(*parts: str) -> str:
    """An id that the same parts always give."""
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


def record_of(notice: Notice, happening: str, at_us: int, offset_us: int) -> Record:
    """What the journal keeps of a step in a notice's life."""
    body: dict[str, object] = {
        "id": notice.id, "happening": happening, "kind": notice.kind, "about": dict(notice.about),
    }  # fmt: skip
    optional = {
        "day": notice.day, "flood": notice.flood, "attempt": notice.attempt,
        "may_be_repeat": notice.may_be_repeat, "uncertain": notice.uncertain,
        "title": notice.title, "why": notice.why,
    }  # fmt: skip
    body.update({name: value for name, value in optional.items() if value})
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
    return Record(RecordKind.NOTICE, notice.to, at_us, at_us + offset_us, at_us, text)


def notice_of(record: Record) -> tuple[Notice, str]:
    """The notice and the step that a record keeps."""
    body = json.loads(str(record.value))
    happening = str(body.pop("happening"))
    return Notice(to=record.subject, **body), happening


def step_of(record: Record) -> tuple[str, str, int]:
    """Id, step and attempt of a record: what tells it from every other."""
    notice, happening = notice_of(record)
    return notice.id, happening, notice.attempt
