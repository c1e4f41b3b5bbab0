"""``weirkeeper alarms``: what stands, what stood, how good the alarms are, what to do about them.

A word after the command says which; without one it is ``now``. Words that list are in
``alarms_list.py`` and ``alarms_figures.py``, those that do something in ``alarms_act.py``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

from collector.cli.alarms_act import ACTS, act, add_act
from collector.cli.alarms_export import add_export_options, export
from collector.cli.alarms_figures import performance
from collector.cli.alarms_list import add_which, history, incomplete, now
from collector.cli.command import Answer, Command

LISTS: dict[str, tuple[str, Callable[[argparse.Namespace], Answer]]] = {
    "now": ("what stands now and what to do; the same as no word", now),
    "history": ("what stood in a time, when, for how long, and why", history),
    "performance": ("figures of the alarms themselves against their targets", performance),
    "incomplete": ("what still lacks a cause or a corrective action", incomplete),
}
EXPORT = "write the audited record into a file for somebody outside"
ABOUT = """exit code 1: an alarm stands or waits for somebody (now), something lacks its
cause or action (incomplete), a target is not met (performance), an action was
refused

The panel's own horn and lamp stay in force. A screen never proves isolation or
a safe atmosphere.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the words and their options."""
    add_which(parser, span=False)
    parser.add_argument("--json", action="store_true", help="print JSON for a program")
    words = parser.add_subparsers(
        dest="word", metavar="WORD", title="words", help="what to do; without one, 'now'"
    )
    for word, (summary, _) in LISTS.items():
        sub = _word(words, word, summary)
        add_which(sub, span=word != "now")
        if word == "history":
            sub.add_argument("--csv", action="store_true", help="print CSV (RFC 4180)")
    add_export_options(_word(words, "export", EXPORT))
    for word, deed in ACTS.items():
        add_act(_word(words, word, deed.summary), word)
    shared = {action.dest for action in parser._actions} - {"help", "word"}
    for sub in words.choices.values():
        sub.add_argument("--json", action="store_true", help="print JSON for a program")
        for action in sub._actions:
            if action.dest in shared:  # else its default would undo what stands before the word
                action.default = argparse.SUPPRESS


def _word(
    words: argparse._SubParsersAction[argparse.ArgumentParser], word: str, summary: str
) -> argparse.ArgumentParser:
    return words.add_parser(
        word, help=summary, description=f"{summary[0].upper()}{summary[1:]}.", allow_abbrev=False
    )


def execute(options: argparse.Namespace) -> Answer:
    """Do what the word says."""
    word = options.word or "now"
    if word in LISTS:
        return LISTS[word][1](options)
    return export(options) if word == "export" else act(options, word)


COMMAND = Command(
    name="alarms",
    summary="what stands now and what stood, and what people do about it",
    example="weirkeeper alarms history --from 2026-07-01 --priority high",
    add_options=add_options,
    execute=execute,
    reads_json=False,
    about=ABOUT,
)
