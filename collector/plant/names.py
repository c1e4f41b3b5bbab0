"""The two patterns of names in a plant file, and what they are called in a sentence.

Names are lower-case identifiers because they become topic levels, series tags and names in rule
conditions.
"""

from __future__ import annotations

import re

NAME_PATTERN = r"^[a-z][a-z0-9_]{0,47}$"
POINT_PATTERN = r"^[a-z][a-z0-9_]{0,47}\.[a-z][a-z0-9_]{0,47}$"

NAME_WORDS = "a name of a-z, 0-9 and _ that begins with a letter (at most 48 characters)"
POINT_WORDS = "a point, written panel.point"

WORDS_OF_PATTERN: dict[str, str] = {NAME_PATTERN: NAME_WORDS, POINT_PATTERN: POINT_WORDS}


def maybe_name(text: str) -> str | None:
    """The name somebody may have meant who wrote ``Pump 1``: ``pump_1``; None if there is none."""
    if re.fullmatch(NAME_PATTERN, text):
        return text
    name = re.sub(r"[^a-z0-9]+", "_", text.casefold()).strip("_")[:48]
    return name if re.fullmatch(NAME_PATTERN, name) else None
