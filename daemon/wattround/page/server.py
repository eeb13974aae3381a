"""The HTTP server: one event loop in the page's thread, with bounds on what may be open."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from wattround.config.model import Settings
from wattround.config.page import Place
from wattround.page.app import application
from wattround.page.gate import Gate
from wattround.page.live import Ask
from wattround.page.rooms import Rooms

MOST_CONNECTIONS = 200
MOST_HEAD = 16_384
IDLE_S = 15
"""A connection that has asked for nothing for so long is closed, also one that is slow in asking."""
HANDSHAKE_S = 5.0
LOOK_S = 0.2


class _Loop(asyncio.SelectorEventLoop):
    """Gives a TLS handshake less time than usual: connections in it are not counted yet."""

    async def create_server(self, *args: Any, **options: Any) -> Any:
        if options.get("ssl") is not None:
            options["ssl_handshake_timeout"] = HANDSHAKE_S
        return await super().create_server(*args, **options)


class _Bounded(H11Protocol):
    """Connections beyond the bound are closed at once, so that the daemon keeps files to open."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        if len(self.connections) >= MOST_CONNECTIONS:
            transport.abort()
            return
        super().connection_made(transport)
        self._watch()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._watch()

    def _watch(self) -> None:
        self.loop.call_later(IDLE_S, self._close_if_idle, self.cycle)

    def _close_if_idle(self, last: Any) -> None:
        """If no other request has begun since."""
        if self.cycle is last and not self.transport.is_closing():
            self.transport.close()


def serve(
    door: socket.socket,
    settings: Callable[[], Settings],
    ask: Ask,
    place: Place,
    stop: threading.Event,
    beat: Callable[[], None],
    file: Path | None = None,
) -> None:
    """Serve the page at an open door until told to stop.

    Raises:
        MissingSecret: if its token cannot be read.
        OSError: if its certificate cannot be.
    """
    page = settings().page
    rooms = Rooms(settings, ask, Gate(page, place), file)
    config = uvicorn.Config(
        application(rooms), loop="none", http=_Bounded, ws="none", lifespan="off", interface="asgi3", log_config=None,
        access_log=False, proxy_headers=False, server_header=False, timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=1, h11_max_incomplete_event_size=MOST_HEAD, ssl_certfile=page.tls_certificate_file,
        ssl_keyfile=page.tls_key_file,
    )  # fmt: skip
    server = uvicorn.Server(config)
    with asyncio.Runner(loop_factory=_Loop) as runner:
        runner.run(_watched(server, door, rooms, stop, beat))


async def _watched(
    server: uvicorn.Server, door: socket.socket, rooms: Rooms, stop: threading.Event, beat: Callable[[], None]
) -> None:
    serving = asyncio.create_task(server.serve(sockets=[door]))
    while not stop.is_set() and not serving.done():
        beat()
        await asyncio.sleep(LOOK_S)
    server.should_exit = True
    rooms.close()
    await serving
