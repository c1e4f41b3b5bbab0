"""The durable journal: one writer (``writer.py``), any number of readers (``reader.py``)."""

from collector.journal.items import Alive, Configuration, Cursor, Quarantined
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal

__all__ = ["Alive", "Configuration", "Cursor", "Journal", "JournalReader", "Quarantined"]
