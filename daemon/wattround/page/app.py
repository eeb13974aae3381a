"""The page's application: pages for people, JSON and metrics for programs, behind the guard."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI

from wattround import __version__
from wattround.page.api import Api
from wattround.page.guard import Guard
from wattround.page.rooms import Rooms
from wattround.page.troubles import shower, take_up
from wattround.page.views import Views


def application(rooms: Rooms) -> Any:
    """The ASGI application of one house."""
    app = FastAPI(
        title="wattround", version=__version__, summary="A house's meters, episodes and accounts.",
        docs_url=None, redoc_url=None, servers=[{"url": rooms.gate.prefix or "/"}], redirect_slashes=False,
    )  # fmt: skip
    app.include_router(Api(rooms).router())
    app.include_router(Views(rooms).router())
    take_up(app, rooms)
    return Guard(app, rooms.gate, shower(rooms))
