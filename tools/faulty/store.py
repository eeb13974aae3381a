"""The way to the database: passes writes on to the real one, and answers as broken, slow or full ones do."""

from __future__ import annotations

import http.client
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Literal

Mood = Literal["works", "down", "slow", "busy", "broken", "partial", "full", "deaf", "refuses"]
"""Down: connections end at once. Slow: after a second or two. Busy, broken, full, refuses: 429, 500, 507, 400, and
nothing is stored. Partial: some lines are stored, and 500 or 400 is said. Deaf: stored, but the answer is lost."""
_STATUS = {"busy": 429, "broken": 500, "full": 507, "refuses": 400}


class Store(ThreadingHTTPServer):
    """Listens on `port`; the only faults are those of its `mood`, the real database stores."""

    daemon_threads = True
    request_queue_size = 32

    def __init__(self, database_port: int) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.database_port = database_port
        self.port = int(self.server_address[1])
        self.mood: Mood = "works"
        self.odd = 0
        threading.Thread(target=self.serve_forever, args=(0.1,), daemon=True).start()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A daemon that was killed leaves its connection: nothing to say of that."""

    def close(self) -> None:
        """End for good."""
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Store

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        mood = self.server.mood
        if mood == "down":
            self.close_connection = True
            return
        if mood == "slow":
            time.sleep(1.2)
        if mood in _STATUS:
            self._answer(_STATUS[mood])
        elif mood == "partial":
            self._store(_some(body, self._gzipped))
            self.server.odd += 1
            self._answer(500 if self.server.odd % 2 else 400)
        else:
            status = self._store(body)
            if mood == "deaf":
                self.close_connection = True
            else:
                self._answer(status)

    @property
    def _gzipped(self) -> bool:
        return self.headers.get("Content-Encoding", "identity") != "identity"

    def _store(self, body: bytes) -> int:
        connection = http.client.HTTPConnection("127.0.0.1", self.server.database_port, timeout=30)
        kept = {key: self.headers[key] for key in ("Content-Type", "Content-Encoding") if key in self.headers}
        connection.request("POST", self.path, body, kept)
        answer = connection.getresponse()
        answer.read()
        connection.close()
        return answer.status

    def _answer(self, status: int) -> None:
        text = b"" if status == 204 else b'{"code":"a fault","message":"of the harness"}'
        self.send_response(status)
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text)

    def log_message(self, *_: object) -> None:
        """Quiet."""


def _some(body: bytes, gzipped: bool) -> bytes:
    """The first half of the lines."""
    if gzipped:
        return body
    lines = body.split(b"\n")
    return b"\n".join(lines[: (len(lines) + 1) // 2])
