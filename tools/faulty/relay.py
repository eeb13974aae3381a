"""A TCP relay between the daemon and its broker, whose line can be cut, held up, or lose what the daemon says."""

from __future__ import annotations

import selectors
import socket
import threading
import time
from contextlib import suppress
from typing import Literal

State = Literal["passes", "refuses", "holds", "swallows"]
"""Passes on; ends every connection; keeps connections and passes nothing; loses what goes to the broker."""


class Relay:
    """Listens on `port` for the daemon, passes on to the broker's port. One thread."""

    def __init__(self, broker_port: int) -> None:
        self._broker_port = broker_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.port: int = self._listener.getsockname()[1]
        self._state: State = "passes"
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._inner: set[socket.socket] = set()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._stop = False
        self.breaks_s: list[float] = []
        """When connections were ended, by the monotonic clock: what was on its way then may be lost."""
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def be(self, state: State) -> None:
        """Change what becomes of the line. What was held or swallowed has torn the streams: those are ended."""
        if state == "passes" and self._state == "swallows":
            self.cut()
        self._state = state
        if state == "refuses":
            self.cut()

    def cut(self) -> None:
        """End all connections, wherever in a message they are."""
        self.breaks_s.append(time.monotonic())
        for side in list(self._pairs):
            with suppress(OSError):
                side.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """End for good."""
        self._stop = True
        self._thread.join(5)
        for side in [self._listener, *self._pairs]:
            side.close()
        self._selector.close()

    def _run(self) -> None:
        while not self._stop:
            if self._state == "holds":
                time.sleep(0.02)
                continue
            for key, _ in self._selector.select(0.05):
                if key.fileobj is self._listener:
                    self._accept()
                elif isinstance(key.fileobj, socket.socket) and key.fileobj in self._pairs:
                    self._pass_on(key.fileobj)

    def _accept(self) -> None:
        outer, _ = self._listener.accept()
        if self._state == "refuses":
            outer.close()
            return
        try:
            inner = socket.create_connection(("127.0.0.1", self._broker_port), timeout=1.0)
        except OSError:
            outer.close()
            return
        self._inner.add(inner)
        for side, other in ((outer, inner), (inner, outer)):
            side.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            side.settimeout(2.0)
            self._pairs[side] = other
            self._selector.register(side, selectors.EVENT_READ)

    def _pass_on(self, side: socket.socket) -> None:
        other = self._pairs[side]
        try:
            data = side.recv(65_536)
            if data and not (self._state == "swallows" and other in self._inner):
                other.sendall(data)
        except OSError:
            data = b""
        if not data:
            self.breaks_s.append(time.monotonic())
            for each in (side, other):
                self._selector.unregister(each)
                self._pairs.pop(each)
                self._inner.discard(each)
                each.close()
