"""What cannot be answered, said clearly: as a page to people, as JSON to programs. Never with a traceback."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from starlette.exceptions import HTTPException

from wattround.ledger.reader import NoLedger
from wattround.page.accountview import WrongQuery
from wattround.page.gate import Refused
from wattround.page.guard import UNFORESEEN, Receive, Scope, Send
from wattround.page.lanes import Busy
from wattround.page.live import CoreBusy, TooMany
from wattround.page.rooms import Rooms
from wattround.pictures.ink import plain

FOR_PROGRAMS = ("/api/", "/metrics", "/health", "/live", "/openapi.json")
WAIT_S = 2


class NotThere(Exception):  # noqa: N818 - reads as what it is
    """There is no such thing."""


def refusal_page(rooms: Rooms, refused: Refused, to: str = "/") -> Response:
    """The page that says so; where the token is asked for, with a form for it."""
    headers = {"retry-after": f"{refused.wait_s}"} if refused.wait_s else {}
    asks = refused.status == 401
    if asks:
        headers["www-authenticate"] = 'Bearer realm="wattround"'
    text = rooms.render("trouble.html.j2", "", why=plain(refused.why), asks=asks, to=to, status=refused.status)
    return HTMLResponse(text, refused.status, headers)


def refusal(rooms: Rooms, path: str, query: str, refused: Refused) -> Response:
    """As a page, or as JSON where a program asks."""
    if not path.startswith(FOR_PROGRAMS):
        # who has no token yet learns nothing of the house, not even its name: see the template
        return refusal_page(rooms, refused, quote(path) + (f"?{query}" if query else ""))
    headers = {"retry-after": f"{refused.wait_s}"} if refused.wait_s else {}
    if refused.status == 401:
        headers["www-authenticate"] = 'Bearer realm="wattround"'
    return JSONResponse({"trouble": refused.why}, refused.status, headers)


def shower(rooms: Rooms) -> Callable[[Scope, Refused, Receive, Send], Any]:
    """What the guard calls for a request that it refuses."""

    async def show(scope: Scope, refused: Refused, receive: Receive, send: Send) -> None:
        answer = refusal(rooms, scope["path"], scope["query_string"].decode("latin-1"), refused)
        await answer(scope, receive, send)

    return show


def refused_of(error: Exception) -> Refused:
    """What an expected failure is to who asks."""
    match error:
        case NotThere():
            return Refused(404, str(error))
        case WrongQuery() | ValueError():
            return Refused(400, f"{str(error)[:1].upper()}{str(error)[1:]}.")
        case Busy():
            return Refused(503, "Too much is being looked at just now. Try again in a moment.", WAIT_S)
        case TooMany():
            return Refused(503, "Too many pages listen already.", WAIT_S * 10)
        case CoreBusy():
            return Refused(503, "The daemon has not answered in time. It goes on measuring; try again.", WAIT_S)
        case HTTPException():
            texts = {404: "There is no such page.", 405: "That cannot be done here."}
            return Refused(error.status_code, texts.get(error.status_code, str(error.detail)))
        case RequestValidationError():
            return Refused(400, "Something in this address is not what it should be.")
        case _:
            return Refused(503, "The ledger cannot be read just now; the daemon's log may say why.", WAIT_S)


EXPECTED: tuple[type[Exception], ...] = (
    NotThere, WrongQuery, Busy, TooMany, CoreBusy, HTTPException, NoLedger, sqlite3.Error,
)  # fmt: skip


def take_up(app: FastAPI, rooms: Rooms) -> None:
    """Have an application answer so."""

    async def handle(request: Request, error: Exception) -> Response:
        return refusal(rooms, request.scope["path"], request.url.query, refused_of(error))

    async def wrong(request: Request, error: Exception) -> Response:
        path = request.scope["path"]
        if path.startswith(FOR_PROGRAMS) and isinstance(error, RequestValidationError):
            found = [{"where": ".".join(map(str, each["loc"])), "why": each["msg"]} for each in error.errors()]
            return JSONResponse({"trouble": "the request is not what it should be", "found": found}, 422)
        return refusal(rooms, path, request.url.query, refused_of(error))

    async def unforeseen(request: Request, _error: Exception) -> Response:
        return refusal(rooms, request.scope["path"], request.url.query, UNFORESEEN)  # the guard writes down what it was

    app.add_exception_handler(Exception, unforeseen)
    for each in EXPECTED:
        app.add_exception_handler(each, handle)
    app.add_exception_handler(RequestValidationError, wrong)
