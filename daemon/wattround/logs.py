"""Logs: readable on a terminal, JSON elsewhere, with a priority that the journal understands under systemd."""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Mapping, MutableMapping
from contextlib import suppress
from typing import Any, TextIO

import structlog

_PRIORITY = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}
_SECRET_KEYS = ("password", "token", "secret", "url_file")


class Unfailing:
    """A stream that drops what it cannot write: a log on a full disk is no reason to stop measuring."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write, if possible."""
        with suppress(OSError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Flush, if possible."""
        with suppress(OSError):
            self._stream.flush()


def configure_logs(stream: TextIO | None = None, environment: Mapping[str, str] = os.environ) -> None:
    """Set up structlog and the libraries' logging for the whole process."""
    terminal = (stream or sys.stderr).isatty()
    out: Any = Unfailing(stream or sys.stderr)
    journal = "JOURNAL_STREAM" in environment
    plain = _journal_line if journal else _json_line
    render: Any = structlog.dev.ConsoleRenderer() if terminal else plain
    structlog.configure(
        processors=[
            structlog.stdlib.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True) if not journal else _as_is,
            structlog.processors.format_exc_info,
            _redact,
            render,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(out),
        cache_logger_on_first_use=False,
    )
    # libraries: only what is serious, and never apprise's warnings, which quote malformed tokens
    logging.basicConfig(level=logging.ERROR, stream=out, format="%(name)s: %(levelname)s")


def _as_is(_logger: object, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    return event


def _redact(_logger: object, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    for key in event:
        if any(word in key for word in _SECRET_KEYS):
            event[key] = "(not shown)"
    return event


def _json_line(_logger: object, _method: str, event: MutableMapping[str, Any]) -> str:
    return json.dumps(event, default=str)


def _journal_line(_logger: object, _method: str, event: MutableMapping[str, Any]) -> str:
    priority = _PRIORITY.get(str(event.pop("level", "info")), 6)
    what = event.pop("event", "")
    facts = " ".join(f"{key}={json.dumps(value, default=str)}" for key, value in event.items())
    return f"<{priority}>{what} {facts}".rstrip().replace("\n", " ")
