"""Says in one plain sentence what the YAML parser did not understand, and where.

The parser's own phrases name its grammar ("while scanning a simple key"); the table turns those
that a slip of the pen produces into what the person sees on that line.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

import yaml

from collector.errors import Problem


class _Sentence(NamedTuple):
    """What to say where the parser's phrase contains ``phrase``."""

    phrase: str
    found: str
    expected: str
    at_beginning: bool = False  # point at where the unfinished thing began


TAB_FOUND = "a tab"
TAB_EXPECTED = "spaces; YAML does not allow tabs where lines are indented"
QUOTES = "quotes around text that is meant as it stands"

SENTENCES = (
    _Sentence(
        "mapping values are not allowed",
        "a ':' where no key can stand",
        "one 'key: value' a line with a space after the colon, the keys of a block indented alike, "
        "and quotes around text that contains ': '",
    ),
    _Sentence(
        "could not find expected ':'",
        "a line without ': ' among keys",
        "'key: value', with a space after the colon",
        at_beginning=True,
    ),
    _Sentence(
        "did not find expected key",
        "something that fits neither the line above nor the indentation",
        "a key indented exactly as those beside it, and nothing after closing quotes or brackets",
    ),
    _Sentence(
        "did not find expected '-' indicator",
        "a line that is no item of the list above it",
        "'- ' indented exactly as the items before, or less indentation to end the list",
    ),
    _Sentence(
        "did not find expected ',' or", "a bracket or quotes not closed", "the closing ones", True
    ),
    _Sentence(
        "found unexpected end of stream", "quotes that are not closed", "the closing ones", True
    ),
    _Sentence(
        "found unexpected document indicator",
        "quotes that are not closed",
        "the closing ones",
        True,
    ),
    _Sentence("cannot start any token", "a character no value may begin with (@, ` or %)", QUOTES),
    _Sentence("block sequence entries are not allowed", "'- ' behind a key", "it on its own line"),
    _Sentence(
        "did not find expected alphabetic or numeric character",
        "'*' or '&' without a name",
        "the name of an anchor, or " + QUOTES,
    ),
    _Sentence(
        "unknown escape character",
        "a backslash escape YAML does not have",
        "'\\\\' for a backslash, or single quotes, in which it stands for itself",
    ),
    _Sentence(
        "Unicode character escape",
        "an escape that is no character",
        "the number of a Unicode character",
    ),
    _Sentence(
        "did not find expected node content",
        "',', ']' or '}' where a value should begin",
        "a value, or " + QUOTES,
    ),
    _Sentence(
        "exceeded maximum nesting depth", "brackets within brackets without end", "fewer of them"
    ),
    _Sentence("document start", "text after the end of the document", "nothing there"),
    _Sentence("incompatible YAML document", "a '%YAML' line of another version", "none, or 1.2"),
    _Sentence("directive", "a line that begins with '%'", "a key, or " + QUOTES),
    _Sentence(
        "did not find expected comment or line break",
        "text behind '|' or '>'",
        "the text on the lines below, indented",
    ),
)


def syntax_problem(error: yaml.YAMLError, text: str, file: str) -> Problem:
    """Translate an error of the parser.

    Args:
        error: what the parser raised.
        text: the whole file, to look at the line it means.
        file: name of the file as the user gave it.
    """
    problem_mark: Any = getattr(error, "problem_mark", None)
    begin_mark: Any = getattr(error, "context_mark", None) or problem_mark
    phrase = str(getattr(error, "problem", None) or "")
    if problem_mark is None:
        return Problem(file, None, None, "", "text that is not YAML", "YAML")
    line, column = problem_mark.line, problem_mark.column
    tab = _tab_in_indentation(text, line)
    if tab is not None:
        return Problem(file, line + 1, tab + 1, "", TAB_FOUND, TAB_EXPECTED)
    if problem_mark.index >= len(text.rstrip()) and "node content" in phrase:
        return Problem(file, line + 1, column + 1, "", "the end of the file", "closing brackets")
    for sentence in SENTENCES:
        if sentence.phrase in phrase:
            if sentence.at_beginning:
                line, column = begin_mark.line, begin_mark.column
            return Problem(file, line + 1, column + 1, "", sentence.found, sentence.expected)
    return Problem(file, line + 1, column + 1, "", "text that is not YAML here", "YAML")


def _tab_in_indentation(text: str, line: int) -> int | None:
    lines = text.splitlines()
    if line >= len(lines):
        return None
    indentation = re.match(r"[ \t]*", lines[line])
    tab = indentation.group().find("\t") if indentation else -1
    return None if tab < 0 else tab
