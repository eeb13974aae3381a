"""What stands before every request: bounds, the gate, and the headers that keep a browser from doing more."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from traceback import extract_tb, format_list
from typing import Any

import structlog

from wattround.page.gate import COOKIE, OPEN, Gate, Refused
from wattround.page.tries import Rates

log = structlog.get_logger("page")

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
Show = Callable[[Scope, Refused, Receive, Send], Awaitable[None]]
"""Answers a request that is refused."""

MOST_BODY = 4096
MOST_PATH = 2048
BODY_S = 10.0
UNFORESEEN = Refused(500, "That did not work. The daemon's log says where.")
AT_ONCE, PER_S = 600.0, 60.0
"""Requests of one address: a page is three of them, and fifty may be opened at once."""
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self';"
    " base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class Guard:
    """Wraps the page's application."""

    def __init__(self, app: App, gate: Gate, show: Show) -> None:
        self._app, self._gate, self._show = app, gate, show
        self._rates = Rates(AT_ONCE, PER_S)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        if scope["type"] != "http":
            return
        begun = False

        async def sealed(message: MutableMapping[str, Any]) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                _seal(message)
            await send(message)

        try:
            _strip(scope, self._gate.prefix)
            refused = self._refusal(scope)
            if refused is None:
                await self._app(scope, _bounded(receive), sealed)
            else:
                await self._show(scope, refused, receive, sealed)
        except Exception as error:  # noqa: BLE001 - whatever a request does, the next one is answered
            where = "".join(format_list(extract_tb(error.__traceback__)[-3:]))
            # not the error's own text: a request may have put anything into it
            log.error(
                "a request failed", path=str(scope.get("path", ""))[:100], error=type(error).__name__, where=where
            )
            if not begun:
                await self._show(scope, UNFORESEEN, receive, sealed)

    def _refusal(self, scope: Scope) -> Refused | None:
        headers = {key.decode("latin-1"): value.decode("latin-1") for key, value in scope["headers"]}
        address, now_s = address_of(scope), time.monotonic()
        if not self._rates.take(address, now_s):
            return Refused(429, "Too many requests at once. Wait a little.", 2)
        if len(scope["path"]) + len(scope["query_string"]) > MOST_PATH:
            return Refused(414, f"An address of more than {MOST_PATH} characters.")
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BODY:
            return Refused(413, f"A request of more than {MOST_BODY} bytes.")
        return self._gate.refusal(scope["method"], headers) or self._stranger(scope, headers, address, now_s)

    def _stranger(self, scope: Scope, headers: dict[str, str], address: str, now_s: float) -> Refused | None:
        """Whether somebody without the token asks for what is behind it."""
        gate = self._gate
        if not gate.asks or scope["path"] in OPEN or gate.knows(_cookie(headers)):
            return None
        kind, _, token = headers.get("authorization", "").partition(" ")
        if kind.lower() != "bearer" or not token:
            return Refused(401, "This page asks for its token.")
        refused = gate.check(token.strip(), address, now_s)
        if refused is not None:
            told_wrong(refused, address)
        return refused


def told_wrong(refused: Refused, address: str) -> None:
    """Write down a token that was looked at and was wrong; those not even looked at would fill the log."""
    if refused.status == 401:
        log.warning("a wrong token", address=address)


def address_of(scope: Scope) -> str:
    """Who asks: the other end of the connection, which behind a proxy is the proxy."""
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


def _cookie(headers: dict[str, str]) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _strip(scope: Scope, prefix: str) -> None:
    """A proxy may hand on the prefix or take it off: both work."""
    path = scope["path"]
    if prefix and (path == prefix or path.startswith(f"{prefix}/")):
        scope["path"] = path[len(prefix) :] or "/"
        scope["raw_path"] = scope["path"].encode()


def _bounded(receive: Receive) -> Receive:
    """A body without a length may turn out too long, or never end: then it is as if who sends it had gone."""
    seen, whole = 0, False

    async def bounded() -> MutableMapping[str, Any]:
        nonlocal seen, whole
        if whole:
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), BODY_S)
        except TimeoutError:
            return {"type": "http.disconnect"}
        seen += len(message.get("body", b""))
        whole = not message.get("more_body", False)
        return message if seen <= MOST_BODY else {"type": "http.disconnect"}

    return bounded


def _seal(message: MutableMapping[str, Any]) -> None:
    found = {key.lower() for key, _ in message["headers"]}
    more = [(key.encode(), value.encode()) for key, value in HEADERS.items() if key.encode() not in found]
    if b"cache-control" not in found:
        more.append((b"cache-control", b"no-store"))
    message["headers"] = [*message["headers"], *more]
