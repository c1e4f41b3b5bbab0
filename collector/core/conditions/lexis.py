"""Words and signs of a condition: the part of the CEL lexis that conditions may use.

Source: Common Expression Language, language definition, section "Syntax" (lexis and reserved
words). Left out on purpose: whole numbers in hexadecimal and without sign, bytes, raw and
triple-quoted text, escapes in text, comments.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from collector.core.conditions.contract import Fault
from collector.plant.findings import nearest_name

Kind = Literal["name", "number", "text", "sign", "end"]

LONGEST_TEXT = 1_000
LARGEST_WHOLE = 2**53
"""Up to here every whole number is exactly a double (IEEE 754)."""

RESERVED = frozenset({
    "false", "in", "null", "true", "as", "break", "const", "continue", "else", "for", "function",
    "if", "import", "let", "loop", "package", "namespace", "return", "var", "void", "while",
})  # fmt: skip
WORDS_WITH_MEANING = frozenset({"true", "false", "in"})
MEANT_SIGNS = {"and": "&&", "or": "||", "not": "!", "=": "==", "&": "&&", "|": "||", "<>": "!="}
"""What somebody meant who wrote this."""

_TOKEN = re.compile(
    r"""(?P<blank>[\t\n\f\r ]+)
      |(?P<number>(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)
      |(?P<name>[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*)
      |(?P<text>'[^'\\\n\r]*'|"[^"\\\n\r]*")
      |(?P<sign>&&|\|\||<=|>=|==|!=|[-+*/%<>!?:(),.\[\]{}])""",
    re.VERBOSE,
)
_WORD_START = re.compile(r"[A-Za-z0-9_.]")


@dataclass(frozen=True, slots=True)
class Token:
    """One word or sign, with its zero-based offsets."""

    kind: Kind
    text: str
    start: int
    end: int


def tokens_of(text: str) -> list[Token] | list[Fault]:
    """Split a condition into words and signs; a token of the kind ``end`` comes last.

    Args:
        text: as written.

    Returns:
        the tokens, or everything that is none.
    """
    if len(text) > LONGEST_TEXT:
        found = f"a condition of {len(text)} characters"
        return [Fault(0, len(text), found, f"one of at most {LONGEST_TEXT}; divide the rule")]
    tokens: list[Token] = []
    faults: list[Fault] = []
    position = 0
    while position < len(text):
        match = _TOKEN.match(text, position)
        fault = _stray(text, position) if match is None else _wrong(match, text)
        if match is not None:
            _take(match, tokens)
        if fault is not None:
            faults.append(fault)
        position = max(match.end() if match else position + 1, fault.end if fault else 0)
    tokens.append(Token("end", "", len(text), len(text)))
    return faults or tokens


def _take(match: re.Match[str], tokens: list[Token]) -> None:
    kinds: tuple[Kind, ...] = ("name", "number", "text", "sign")
    for kind in kinds:
        if match.lastgroup == kind:
            # "in" is an operator, not a name.
            kind = "sign" if match.group() == "in" else kind
            tokens.append(Token(kind, match.group(), match.start(), match.end()))


def _wrong(match: re.Match[str], text: str) -> Fault | None:
    written, start, end = match.group(), match.start(), match.end()
    if match.lastgroup == "number":
        if _WORD_START.match(text, end):
            rest = re.compile(r"[A-Za-z0-9_.]*").match(text, end)
            end = rest.end() if rest else end
            expected = "a plain number such as 5 or 0.25, or a named limit that has a unit"
            return Fault(start, end, f"'{text[start:end]}'", expected)
        large = abs(float(written))
        if math.isinf(large) or (written.isdigit() and large > LARGEST_WHOLE):
            shown = written if len(written) <= 24 else f"{written[:20]}..."
            return Fault(start, end, shown, "a number that a plant could have")
    if match.lastgroup == "name":
        if written in WORDS_WITH_MEANING:
            return None
        for part in written.split("."):
            if part in RESERVED:
                return Fault(start, end, f"'{written}'", f"a name without the CEL word '{part}'")
    if match.lastgroup == "text" and any("\ud800" <= sign <= "\udfff" for sign in written):
        return Fault(start, end, "half a character", "text of whole Unicode characters")
    return None


def _stray(text: str, position: int) -> Fault:
    sign = text[position]
    if sign in "'\"":
        end = len(text)
        found = "text that does not end" if "\\" not in text[position:] else "text with a backslash"
        return Fault(position, end, found, f"plain text between two {sign} in one line")
    meant = MEANT_SIGNS.get(sign)
    expected = "a name, number, text in quotes or sign of CEL" if meant is None else f"'{meant}'"
    return Fault(position, position + 1, f"{sign!r}", expected, meant)


def meant_sign(token: Token) -> str | None:
    """The operator that somebody may have meant by a word."""
    return MEANT_SIGNS.get(token.text.lower())


def nearest_function(name: str, functions: tuple[str, ...]) -> str | None:
    """The text function that somebody may have meant."""
    return nearest_name(name, functions)
