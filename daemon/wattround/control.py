"""The control socket: commands ask the running daemon. One JSON object a line each way, for this user only.

Request: {"do": NAME, ...}. Reply: {"ok": true, "answer": ...} or {"ok": false, "trouble": TEXT}.
"""

from __future__ import annotations

import json
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

FILE = "control.sock"
MAX_REQUEST_BYTES = 524_288
"""A letter with its page is the longest that is asked for."""
TIMEOUT_S = 10.0
REQUEST_S = 2.0
"""Time that a client has to say what it wants; others wait meanwhile."""
COMMANDS = ("now", "archive-status", "archive-refill", "hush", "book", "outdoor", "letter")

Ask = Callable[..., Future[Any]]


class NoDaemon(Exception):  # noqa: N818 - reads as what it is
    """No daemon answers; the text says where it was looked for."""


@contextmanager
def _short_path(folder: Path) -> Iterator[str]:
    """The socket's path by way of its open folder: socket paths are limited to some 100 bytes, folders are not."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{handle}/{FILE}"
    finally:
        os.close(handle)


class ControlServer:
    """Answers commands, one connection at a time."""

    def __init__(self, folder: Path, ask: Ask) -> None:
        self._ask = ask
        self._file = folder / FILE
        self._file.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with _short_path(folder) as path:
            before = os.umask(0o177)
            try:
                self._socket.bind(path)
            finally:
                os.umask(before)
        self._socket.listen(64)
        self._socket.settimeout(0.5)
        self.beat_s = time.monotonic()

    def run(self, stop: threading.Event) -> None:
        """Serve until told to stop."""
        while not stop.is_set():
            self.beat_s = time.monotonic()
            try:
                connection, _ = self._socket.accept()
            except TimeoutError:
                continue
            with connection, suppress(OSError):
                answer = self._heard(connection, stop)
                connection.settimeout(REQUEST_S)
                connection.sendall(answer)
        self._socket.close()
        self._file.unlink(missing_ok=True)

    def _heard(self, connection: socket.socket, stop: threading.Event) -> bytes:
        try:
            line = _line(connection)
        except OSError as error:  # it said too little in its time
            return _refusal(str(error) or type(error).__name__)
        return self.answer(line, stop)

    def answer(self, line: bytes, stop: threading.Event) -> bytes:
        """What a client gets that says this."""
        try:
            request = json.loads(line)
            command = request.pop("do")
            if command not in COMMANDS:
                return _refusal(f"unknown command; known: {', '.join(COMMANDS)}")
            reply = self._ask(command, **request)
            while not stop.is_set():
                self.beat_s = time.monotonic()
                with suppress(TimeoutError):
                    return json.dumps({"ok": True, "answer": reply.result(timeout=0.5)}).encode() + b"\n"
            return _refusal("the daemon is stopping")
        except Exception as error:  # noqa: BLE001 - whatever a client sends, it gets an answer and the thread goes on
            return _refusal(str(error) or type(error).__name__)


def _refusal(trouble: str) -> bytes:
    return json.dumps({"ok": False, "trouble": trouble}).encode() + b"\n"


def _line(connection: socket.socket) -> bytes:
    data = b""
    until_s = time.monotonic() + REQUEST_S
    while not data.endswith(b"\n") and len(data) <= MAX_REQUEST_BYTES:
        connection.settimeout(max(0.01, until_s - time.monotonic()))
        part = connection.recv(65_536)
        if not part:
            break
        data += part
    return data


def ask_daemon(folder: Path, command: str, **facts: Any) -> Any:
    """Ask the daemon that writes the ledger in `folder`.

    Raises:
        NoDaemon: if none answers.
        ValueError: with its words if it refuses.
    """
    try:
        with _short_path(folder) as path, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
            connection.settimeout(TIMEOUT_S)
            connection.connect(path)
            connection.sendall(json.dumps({"do": command, **facts}).encode() + b"\n")
            parts = []
            while part := connection.recv(65_536):
                parts.append(part)
        reply = json.loads(b"".join(parts))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise NoDaemon(f"no daemon answers at {folder / FILE} ({reason})") from None
    if not reply["ok"]:
        raise ValueError(reply["trouble"])
    return reply["answer"]
