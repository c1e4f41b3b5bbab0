"""The daemon's own log: text for a person at a terminal, JSON lines for a machine.

Secrets are ``SecretStr`` and print as stars; nothing here unwraps them. A reader of the log that
has gone away (a closed pipe) must not stop the daemon, so writing never raises.
"""

from __future__ import annotations

import contextlib
import logging
import sys
from typing import Any, TextIO

import structlog

from collector.settings import LogSettings

LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}


class _Forgiving:
    """A text stream whose reader may leave."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        with contextlib.suppress(OSError, ValueError):
            return self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._stream.flush()


def start_logging(settings: LogSettings, stream: TextIO | None = None) -> None:
    """Send all logs, ours and the libraries', to ``stream`` (standard error) in one form."""
    target = sys.stderr if stream is None else stream
    as_text = settings.format == "text" or (settings.format == "auto" and target.isatty())
    level = LEVELS[settings.level]
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: list[Any] = (
        [
            structlog.dev.ConsoleRenderer(
                colors=target.isatty(),
                # Others, where their libraries are installed, print local variables too.
                exception_formatter=structlog.dev.plain_traceback,
            )
        ]
        if as_text
        else [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    )
    structlog.configure(
        processors=[*shared, *last],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(_Forgiving(target)),  # type: ignore[arg-type]
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(_Forgiving(target))
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(max(level, logging.WARNING))
