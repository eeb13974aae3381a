"""A receiver of messages by web hook that can be down, slow, refuse, or lose its answer after it has taken one."""

from __future__ import annotations

import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Literal, NamedTuple

Mood = Literal["works", "down", "slow", "refuses", "deaf"]
PATIENCE_S = 4.0
"""How long apprise waits for an answer before it takes a message for not sent (its own default)."""


class Taken(NamedTuple):
    """A message that was taken: when, its lines, whether the answer is known to have been lost."""

    at_s: float
    lines: tuple[str, ...]
    unanswered: bool


class Hook(ThreadingHTTPServer):
    """Listens on `port`; `taken` is what it has."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.port = int(self.server_address[1])
        self.mood: Mood = "works"
        self.taken: list[Taken] = []
        threading.Thread(target=self.serve_forever, args=(0.1,), daemon=True).start()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A daemon that was killed leaves its connection: nothing to say of that."""

    def close(self) -> None:
        """End for good."""
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        mood, taken = self.server.mood, self.server.taken
        if mood == "down":
            return
        if mood == "refuses":
            self._answer(503)
            return
        at_s, lines = time.monotonic(), tuple(body["message"].splitlines())
        if mood == "slow":
            time.sleep(PATIENCE_S + 0.5 if len(taken) % 3 == 0 else 1.0)
        late = time.monotonic() - at_s > PATIENCE_S - 0.5
        taken.append(Taken(at_s, lines, mood == "deaf" or late))
        if mood != "deaf":
            self._answer(200)

    def _answer(self, status: int) -> None:
        self.send_response(status)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Quiet."""
