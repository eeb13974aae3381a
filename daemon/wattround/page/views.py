"""The pages, each a handler: facts from the core, the ledger from a lane, a template."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qs, quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.requests import ClientDisconnect

from wattround.ledger.tally import Tally
from wattround.page.accountview import FIELDS, PERIODS, WrongQuery, account_view, asked_of
from wattround.page.costsview import costs, levels_text
from wattround.page.episodesview import DAYS, asked_hush, episodes_view
from wattround.page.guard import address_of, told_wrong
from wattround.page.lettersview import letter_view, letters_view, policy_of
from wattround.page.loadview import SPANS, load_view
from wattround.page.nowview import ORDERS, now_view
from wattround.page.proofsview import begin_proofs, proofs_view, verdicts_of
from wattround.page.rooms import Rooms
from wattround.page.troubles import NotThere, refusal_page, refused_of
from wattround.page.upkeepview import upkeep_view
from wattround.pictures.ink import plain

KEEP_ACCOUNT_S, KEEP_COSTS_S = 20.0, 3600.0
WAIT_S = 25.0
"""Less than what proxies wait for an answer; the page asks again."""
MOST_FIELDS = 10
LOAD_DAYS = 30


class Views:
    """All pages of one house."""

    def __init__(self, rooms: Rooms) -> None:
        self._rooms = rooms

    def router(self) -> APIRouter:
        """Their addresses."""
        router = APIRouter(include_in_schema=False)
        for path, handler in (
            ("/", self.now), ("/load/{name}", self.load), ("/load/{name}/costs", self.costs),
            ("/episodes", self.episodes), ("/account", self.account), ("/proofs", self.proofs),
            ("/letters", self.letters), ("/letters/{week}", self.letter),
            ("/letters/{week}/sent", self.sent), ("/upkeep", self.upkeep),
            ("/live", self.live), ("/look.css", self.style), ("/page.js", self.script), ("/icon.svg", self.icon),
        ):  # fmt: skip
            router.add_api_route(path, handler, methods=["GET"], response_class=HTMLResponse)
        router.add_api_route("/proofs", self.work_out, methods=["POST"])
        router.add_api_route("/upkeep", self.check, methods=["POST"])
        router.add_api_route("/hush", self.hush, methods=["POST"])
        router.add_api_route("/enter", self.enter, methods=["POST"])
        return router

    # -- pages ----------------------------------------------------------------------------------

    async def now(self, by: str = "tree") -> HTMLResponse:
        """Every meter as a row."""
        rooms = self._rooms
        if by not in ORDERS:
            raise WrongQuery(f'by: found "{by[:50]}"; expected one of {", ".join(ORDERS)}')
        facts = await rooms.pulse.facts()

        def view(tally: Tally | None) -> Mapping[str, Any]:
            return now_view(facts, rooms.settings(), tally, rooms.day, by)

        return HTMLResponse(await rooms.shown(by, "now.html.j2", "/", facts, view))

    async def load(self, name: str, span: str = "day") -> HTMLResponse:
        """One load, or any other meter."""
        rooms = self._rooms
        if span not in SPANS:
            raise WrongQuery(f'span: found "{span[:50]}"; expected one of {", ".join(SPANS)}')
        facts = await self._facts_of(name)
        known = await self._costs(name, facts, wait=False)

        def view(tally: Tally | None) -> Mapping[str, Any]:
            past = episodes_view(tally, rooms.settings(), facts, LOAD_DAYS, name)
            if tally is None:
                raise NotThere("The ledger has nothing of it yet.")
            verdicts = verdicts_of(tally, rooms.settings(), facts["now_ms"], rooms.workshop)
            found = load_view(tally, rooms.settings(), facts, name, span, verdicts)
            return {**found, "past": past["past"], "costs": known}

        return HTMLResponse(await rooms.shown((name, span, known is None), "load.html.j2", "/", facts, view))

    async def costs(self, name: str) -> HTMLResponse:
        """What a load costs, by itself: it may take a second to add up."""
        facts = await self._facts_of(name)
        found = await self._costs(name, facts, wait=True)
        label = next(meter["label"] for meter in facts["meters"] if meter["name"] == name)
        return HTMLResponse(self._rooms.render("costspage.html.j2", "/", facts, name=name, label=label, costs=found))

    async def episodes(self, days: str = "7") -> HTMLResponse:
        """Open and past episodes, and what is hushed."""
        rooms = self._rooms
        if days not in map(str, DAYS):
            raise WrongQuery(f'days: found "{days[:50]}"; expected one of {", ".join(map(str, DAYS))}')
        facts = await rooms.pulse.facts(fresh_s=0)

        def view(tally: Tally | None) -> Mapping[str, Any]:
            return episodes_view(tally, rooms.settings(), facts, int(days))

        return HTMLResponse(await rooms.shown(days, "episodes.html.j2", "/episodes", facts, view, keep_s=0))

    async def account(self, request: Request) -> HTMLResponse:
        """A report of any days, compared with others."""
        rooms, query = self._rooms, request.query_params
        filled = {key: query.get(key, "")[:50] for key in FIELDS}
        facts = await rooms.pulse.facts()

        def job(tally: Tally) -> str:
            found = account_view(tally, rooms.settings(), asked, facts["now_ms"])
            return rooms.render(
                "account.html.j2", "/account", facts, query=filled, periods=PERIODS, trouble="", **found
            )

        try:
            asked = asked_of(query)
            return HTMLResponse(await rooms.long.ask(("account", asked), job, KEEP_ACCOUNT_S))
        except WrongQuery as wrong:
            nothing = {"found": None, "bills": None, "trouble": plain(refused_of(wrong).why)}
            text = rooms.render("account.html.j2", "/account", facts, query=filled, periods=PERIODS, **nothing)
            return HTMLResponse(text, 400 if any(filled.values()) else 200)  # a new house has no account yet

    async def proofs(self, wait: str = "") -> HTMLResponse:
        """Changes, watched savings, trials; verdicts once they are worked out (`wait`: yes, until then)."""
        rooms = self._rooms
        if wait == "yes":
            await rooms.workshop.ended(WAIT_S)
        facts = await rooms.pulse.facts()

        def view(tally: Tally | None) -> Mapping[str, Any]:
            return proofs_view(tally, rooms.settings(), facts, rooms.workshop)

        return HTMLResponse(await rooms.shown("", "proofs.html.j2", "/proofs", facts, view, keep_s=0))

    async def letters(self) -> HTMLResponse:
        """Weeks that had a letter."""
        rooms = self._rooms
        facts = await rooms.pulse.facts()

        def view(tally: Tally | None) -> Mapping[str, Any]:
            return letters_view(tally, rooms.settings())

        return HTMLResponse(await rooms.shown("", "letters.html.j2", "/letters", facts, view, keep_s=0))

    async def letter(self, week: str) -> HTMLResponse:
        """One of them."""
        rooms = self._rooms
        facts = await rooms.pulse.facts()

        def view(tally: Tally | None) -> Mapping[str, Any]:
            found = letter_view(tally.letters() if tally is not None else (), week, rooms.settings())
            if found is None:
                raise NotThere(f'There is no letter of "{week[:20]}".')
            return found

        return HTMLResponse(await rooms.shown(week, "letter.html.j2", "/letters", facts, view))

    async def sent(self, week: str) -> HTMLResponse:
        """One of them as it was sent to who reads such mail."""
        html = await self._rooms.quick.ask(("sent", week), lambda tally: tally.letter_html(week))
        if html is None:
            raise NotThere(f'There is no letter of "{week[:20]}".')
        return HTMLResponse(html, headers={"content-security-policy": policy_of(html)})

    async def upkeep(self, wait: str = "") -> HTMLResponse:
        """Whether everything is heard, kept, shipped and told (`wait`: yes, until a check has ended)."""
        rooms = self._rooms
        if wait == "yes":
            await rooms.checks.ended(WAIT_S)
        facts = await rooms.pulse.facts()
        archive = await rooms.pulse.core("archive-status") if rooms.settings().archive is not None else None

        def view(tally: Tally | None) -> Mapping[str, Any]:
            return upkeep_view(tally, rooms.settings(), facts, archive, rooms.checks)

        return HTMLResponse(await rooms.shown("", "upkeep.html.j2", "/upkeep", facts, view, keep_s=0))

    async def _facts_of(self, name: str) -> dict[str, Any]:
        facts = await self._rooms.pulse.facts()
        if name not in {meter["name"] for meter in facts["meters"]}:
            raise NotThere(f'There is no meter "{name[:64]}" in this house.')
        return facts

    async def _costs(self, name: str, facts: Mapping[str, Any], *, wait: bool) -> Mapping[str, Any] | None:
        """What the last 30 days say of a load; None while that is being added up, unless it is waited for."""
        rooms, now_ms = self._rooms, facts["now_ms"]
        answer = rooms.long.begin("costs", lambda tally: costs(tally, rooms.settings(), now_ms), KEEP_COSTS_S)
        if not wait and (not answer.done() or answer.exception() is not None):
            return None  # the rest of the page does not wait for it, nor fail with it
        found = await asyncio.shield(asyncio.wrap_future(answer))
        meter = next((each for each in rooms.settings().meters if each.name == name), None)
        levels = levels_text(meter) if meter is not None and meter.role in ("circuit", "appliance") else ""
        return {"levels": levels, "says": found if isinstance(found, str) else "", "row": _row(found, name)}

    # -- live, and what pages are made of ---------------------------------------------------------

    async def live(self) -> StreamingResponse:
        """What changes from second to second."""
        events = await self._rooms.pulse.listen()
        return StreamingResponse(events, media_type="text/event-stream", headers={"x-accel-buffering": "no"})

    async def style(self) -> Response:
        """The look."""
        return Response(self._rooms.style, media_type="text/css", headers=KEEP)

    async def script(self) -> Response:
        """The one script."""
        return Response(self._rooms.script, media_type="text/javascript", headers=KEEP)

    async def icon(self) -> Response:
        """A strip of ink."""
        return Response(ICON, media_type="image/svg+xml", headers=KEEP)

    # -- what people send -------------------------------------------------------------------------

    async def hush(self, request: Request) -> Response:
        """Hush a rule, or let it speak again; then back to the episodes."""
        form = await form_of(request)
        facts: dict[str, Any] = {
            "do": form.get("do", ""),
            "rule": form.get("rule", ""),
            "load": form.get("load") or None,
        }
        if facts["do"] not in ("hush", "unhush"):
            raise WrongQuery("do: expected hush or unhush")
        if facts["do"] == "hush":
            facts |= asked_hush(form.get("how", ""))
        try:
            await self._rooms.pulse.core("hush", request=facts)
        except ValueError as refusal:
            raise WrongQuery(str(refusal)) from None
        return RedirectResponse(f"{self._rooms.gate.prefix}/episodes", 303)

    async def work_out(self) -> Response:
        """Have proofs worked out; then back to them, where that is awaited."""
        await begin_proofs(self._rooms)
        return RedirectResponse(f"{self._rooms.gate.prefix}/proofs", 303)

    async def check(self) -> Response:
        """Have all of it looked at; then back to the upkeep, where that is awaited."""
        self._rooms.checks.begin(self._rooms.settings(), anew=True)
        return RedirectResponse(f"{self._rooms.gate.prefix}/upkeep", 303)

    async def enter(self, request: Request) -> Response:
        """Take a token, and have the browser keep a cookie for it."""
        gate, form = self._rooms.gate, await form_of(request)
        to = form.get("to", "/")
        if not to.startswith("/") or to.startswith(("//", "/\\")):
            to = "/"
        if gate.asks:
            address = address_of(request.scope)
            refused = gate.check(form.get("token", "").strip(), address, time.monotonic())
            if refused is not None:
                told_wrong(refused, address)
                return refusal_page(self._rooms, refused, to)
        cookie = {"set-cookie": gate.set_cookie()} if gate.asks else {}
        return RedirectResponse(gate.prefix + quote(to, safe="/?=&%"), 303, headers=cookie)


def _row(found: Mapping[str, Mapping[str, str]] | str, name: str) -> Mapping[str, str] | None:
    return None if isinstance(found, str) else found.get(name)


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form.

    Raises:
        WrongQuery: for what is none.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if kind != "application/x-www-form-urlencoded":
        raise WrongQuery("expected a form (application/x-www-form-urlencoded)")
    try:
        body = (await request.body()).decode()
        return {key: values[-1] for key, values in parse_qs(body, max_num_fields=MOST_FIELDS).items()}
    except (ValueError, ClientDisconnect):
        raise WrongQuery("expected the fields of a form of this page") from None


KEEP = {"cache-control": "public, max-age=31536000, immutable"}
ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><path fill="#fbf8f1" d="M0 0h16v16H0z"/>'
    '<path fill="#1f1c17" fill-opacity=".3" d="M1 5h4v6H1z"/><path fill="#1f1c17" d="M5 5h5v6H5z"/>'
    '<path fill="#1f1c17" fill-opacity=".6" d="M10 5h5v6h-5z"/></svg>'
)
