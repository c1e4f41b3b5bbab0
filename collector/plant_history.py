"""Which plant files were in force when, as the journal keeps them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from collector.core.records import RecordKind
from collector.errors import ConfigurationError, JournalError
from collector.journal.reader import JournalReader
from collector.plant.load import parse_plant
from collector.plant.model import Plant
from collector.plant_file import PlantFile
from collector.reports.eras import ALL, EVER_US

HASH_SHOWN = 12


@dataclass(frozen=True, slots=True)
class InForce:
    """A plant file and from when on it is in force."""

    from_us: int
    hash: str
    plant: Plant


def plant_files(
    reader: JournalReader, start_us: int, from_us: int, corrected: PlantFile | None
) -> list[InForce]:
    """The plant files in force from an instant on, in order, the first since before it.

    Args:
        reader: the journal; it keeps the text of every file that was in force.
        start_us: plant time from which they are wanted.
        from_us: plant time from which the corrected file counts.
        corrected: a file instead of those in force from then on, or None.

    Raises:
        JournalError: a file is missing, or this version does not understand it.
    """
    texts = reader.configurations("plant")
    found: list[InForce] = []
    records = [
        record
        for record in reader.history("plant", -EVER_US, EVER_US, ALL)
        if record.kind is RecordKind.CONFIGURATION
    ]
    in_force = max((one.at_us for one in records if one.at_us <= start_us), default=-EVER_US)
    for record in records:
        if record.at_us < in_force or (corrected is not None and record.at_us >= from_us):
            continue
        kept = texts.get(str(record.value))
        if kept is None:
            raise JournalError(
                f"the journal {reader.path} lacks the plant file {str(record.value)[:HASH_SHOWN]} "
                "that was in force then; give one with --plant"
            )
        try:
            plant = parse_plant(kept.text, f"plant file {kept.hash[:HASH_SHOWN]} on record")
        except ConfigurationError as error:
            raise JournalError(
                f"this version does not understand the plant file {kept.hash[:HASH_SHOWN]} that "
                "was in force then; give one with --plant"
            ) from error
        found.append(InForce(record.at_us, kept.hash, plant))
    if corrected is not None:
        found.append(InForce(max(from_us, start_us), corrected.hash, corrected.plant))
    if not found:
        raise JournalError(f"the journal {reader.path} has no plant file on record")
    if corrected is not None and from_us <= start_us:
        return [replace(found[-1], from_us=start_us)]
    return found
