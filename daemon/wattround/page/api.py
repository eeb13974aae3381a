"""JSON, metrics and health, for programs. What can be asked and what is answered is in /openapi.json."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path as FilePath
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Query
from fastapi.responses import PlainTextResponse, Response

from wattround import __version__
from wattround.analysis.billdata import as_json as bills_json
from wattround.analysis.billdata import held
from wattround.analysis.episodes import account as episodes_of
from wattround.analysis.episodes import plain
from wattround.analysis.periods import WrongPeriod
from wattround.analysis.report import Scene
from wattround.analysis.reporting.data import as_json
from wattround.analysis.reporting.inquiry import answer, look_at
from wattround.ledger.tally import Tally
from wattround.metering.minute import MINUTE_MS
from wattround.page.accountview import WrongQuery, asked_of
from wattround.page.episodesview import span_of
from wattround.page.loadview import Past, minutes_of, window
from wattround.page.metrics import KIND, exposition
from wattround.page.proofsview import begin_proofs, proofs_plain
from wattround.page.rooms import Rooms
from wattround.page.shapes import (
    Begun,
    Checked,
    Done,
    Episodes,
    Health,
    HushAsked,
    LetterMade,
    LetterOf,
    LoadOf,
    Now,
    Proofs,
    Trouble,
    Upkeep,
    Wrong,
)
from wattround.page.troubles import NotThere
from wattround.pictures.grain import sheet, strip_cells
from wattround.pictures.seen import Seen

REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {"model": Trouble, "description": "what was asked for makes no sense"},
    401: {"model": Trouble, "description": "the token is asked for"},
    403: {"model": Trouble, "description": "from another page"},
    404: {"model": Trouble, "description": "there is no such thing"},
    413: {"model": Trouble, "description": "too large"},
    414: {"model": Trouble, "description": "too long an address"},
    421: {"model": Trouble, "description": "not a name of this page"},
    422: {"model": Wrong, "description": "not what it should be"},
    429: {"model": Trouble, "description": "too often"},
    503: {"model": Trouble, "description": "not now"},
}
Span = Literal["day", "week", "month", "year"]
KEEP_S = 20.0


class Api:
    """All of it, for one house."""

    def __init__(self, rooms: Rooms) -> None:
        self._rooms = rooms

    def router(self) -> APIRouter:
        """The addresses."""
        router = APIRouter(responses=REFUSALS)
        router.add_api_route("/api/now", self.now, response_model=Now)
        router.add_api_route("/api/loads/{name}", self.load, response_model=LoadOf)
        router.add_api_route("/api/episodes", self.episodes, response_model=Episodes)
        router.add_api_route("/api/account", self.account, response_model=dict[str, Any])
        router.add_api_route("/api/bills", self.bills, response_model=dict[str, Any])
        router.add_api_route("/api/proofs", self.proofs, response_model=Proofs)
        router.add_api_route("/api/proofs", self.work_out, methods=["POST"], response_model=Begun)
        router.add_api_route("/api/check", self.checked, response_model=Checked)
        router.add_api_route("/api/check", self.check, methods=["POST"], response_model=Begun)
        router.add_api_route("/api/letters", self.letters, response_model=list[LetterMade])
        router.add_api_route("/api/letters/{week}", self.letter, response_model=LetterOf)
        router.add_api_route("/api/upkeep", self.upkeep, response_model=Upkeep)
        router.add_api_route("/api/hush", self.hush, methods=["POST"], response_model=Done)
        router.add_api_route("/health", self.health, response_model=Health)
        router.add_api_route(
            "/metrics", self.metrics, response_class=PlainTextResponse,
            responses={200: {"description": "OpenMetrics", "content": {KIND: {"schema": {"type": "string"}}}}},
        )  # fmt: skip
        return router

    async def now(self) -> dict[str, Any]:
        """The house as it stands: every meter in the order of the tree, open episodes, what is hushed."""
        return await self._rooms.pulse.facts()

    async def load(self, name: Annotated[str, Path(max_length=64)], span: Span = "day") -> dict[str, Any]:
        """A meter's watts over its last day, week, month or year."""
        rooms = self._rooms
        facts = await rooms.pulse.facts()
        meter = next((each for each in facts["meters"] if each["name"] == name), None)
        if meter is None:
            raise NotThere(f'there is no meter "{name}"')
        found = await rooms.quick.ask(("api", name, span), lambda tally: self._load(tally, name, span, facts["now_ms"]))
        return {**found, "name": name, "label": meter["label"], "span": span}

    def _load(self, tally: Tally, name: str, span: str, now_ms: int) -> dict[str, Any]:
        settings, kept = self._rooms.settings(), tally.kept()
        if kept is None:
            raise NotThere("the ledger has nothing yet")
        scene, zone = Scene.of(tally, settings), ZoneInfo(settings.house.time_zone)
        from_ms, to_ms = window(span, kept, now_ms, zone)
        if span == "day":
            found, begin = minutes_of(tally, name, from_ms, to_ms), from_ms // MINUTE_MS
            spans = [((begin + at) * MINUTE_MS, (begin + at + 1) * MINUTE_MS) for at in range(len(found))]
            return _sums(from_ms, to_ms, [_cell(*span, each) for span, each in zip(spans, found, strict=True)])
        of = sheet(from_ms, to_ms, zone, minutes=False).cells if span == "month" else strip_cells(from_ms, to_ms, zone)
        of = sorted(of, key=lambda cell: cell.spans[0][0])
        found = Past(tally, scene, kept, name, (from_ms, to_ms)).cells(of)
        cells = [_cell(cell.spans[0][0], cell.spans[-1][1], each) for cell, each in zip(of, found, strict=True)]
        return _sums(from_ms, to_ms, cells)

    async def episodes(self, days: Annotated[int, Query(ge=1, le=3660)] = 7) -> dict[str, Any]:
        """Episodes of so many local days up to now."""
        rooms = self._rooms
        facts, zone = await rooms.pulse.facts(), ZoneInfo(rooms.settings().house.time_zone)
        span = span_of(days, facts["now_ms"], zone)
        return await rooms.quick.ask(("api-episodes", days), lambda tally: plain(episodes_of(tally, *span)))

    async def account(
        self, period: Annotated[str, Query(max_length=20)] = "",
        first: Annotated[date | None, Query(alias="from")] = None,
        last: Annotated[date | None, Query(alias="to")] = None,
        against: Annotated[str, Query(max_length=30, description="previous, or DAY..DAY")] = "",
        load: Annotated[str, Query(max_length=64, description="by hour and weekday, of this load")] = "",
    ) -> Response:  # fmt: skip
        """What `wattround report --json` says of the same days."""
        rooms = self._rooms
        before, _, after = against.partition("..")
        days = {"from": first, "to": last, "then_from": before if after else "", "then_to": after}
        query = {key: f"{day}" for key, day in days.items() if day}
        asked = asked_of({**query, "period": period, "against": "" if after else against})
        asked = replace(asked, load=load)
        facts = await rooms.pulse.facts()

        def job(tally: Tally) -> str:
            try:
                look = look_at(tally, rooms.settings(), asked, facts["now_ms"])
                return as_json(answer(look, asked))
            except WrongPeriod as wrong:
                raise WrongQuery(str(wrong).removeprefix("--")) from None

        return _json(await rooms.long.ask(("api-account", asked), job, KEEP_S))

    async def bills(self) -> Response:
        """What `wattround bill check --json` says: the utility's bills, held against the meters."""
        rooms = self._rooms

        def job(tally: Tally) -> str:
            settings = rooms.settings()
            try:
                return bills_json(held(tally, settings, None))
            except ValueError:
                house = settings.house
                return json.dumps({"house": house.id, "currency": house.currency, "bills": []})

        return _json(await rooms.long.ask("api-bills", job, KEEP_S))

    async def proofs(self) -> dict[str, Any]:
        """Changes, watched savings, trials; what `wattround prove all --json` says, once the page was asked for it."""
        rooms = self._rooms
        now_ms = (await rooms.pulse.facts())["now_ms"]
        return await rooms.quick.ask(
            "api-proofs", lambda tally: proofs_plain(tally, rooms.settings(), now_ms, rooms.workshop), 0
        )

    async def work_out(self) -> dict[str, str | None]:
        """Have changes and trials worked out; what comes of it is in /api/proofs."""
        await begin_proofs(self._rooms)
        found = await self.proofs()
        return {"state": found["state"], "trouble": found["trouble"]}

    async def checked(self) -> dict[str, Any]:
        """What `wattround check --live --json` said, once it was asked for."""
        checks = self._rooms.checks
        found = checks.look(self._rooms.settings())
        facts = found.facts if found.facts is not None else {"at_ms": None, "problems": [], "live": []}
        return {"state": found.state, "trouble": found.trouble or checks.lack or None, **facts}

    async def check(self) -> dict[str, str | None]:
        """Have all of it looked at anew; what comes of it is in /api/check."""
        checks, settings = self._rooms.checks, self._rooms.settings()
        checks.begin(settings, anew=True)
        found = checks.look(settings)
        return {"state": found.state, "trouble": found.trouble or checks.lack or None}

    async def letters(self) -> list[dict[str, Any]]:
        """Weekly letters that were made, the latest first."""
        found = await self._rooms.quick.ask("api-letters", lambda tally: tally.letters())
        return [each._asdict() for each in found]

    async def letter(self, week: Annotated[str, Path(max_length=8, description="as 2026-W12")]) -> dict[str, Any]:
        """One of them, as text."""
        for each in await self._rooms.quick.ask("api-letters", lambda tally: tally.letters()):
            if each.week == week:
                return each._asdict()
        raise NotThere(f'there is no letter of "{week}"')

    async def upkeep(self) -> dict[str, Any]:
        """Whether everything is heard, kept, shipped and told."""
        rooms = self._rooms
        facts = await rooms.pulse.facts()
        archive: Mapping[str, Any] = {}
        if rooms.settings().archive is not None:
            archive = await rooms.pulse.core("archive-status")
        mails = await rooms.quick.ask("api-mail", lambda tally: tally.mail())
        try:
            free: int | None = shutil.disk_usage(FilePath(rooms.settings().ledger.folder)).free
        except OSError:
            free = None
        return {
            **facts["daemon"], "version": __version__, "channels": [mail._asdict() for mail in mails],
            "archive_cursor_minute": archive.get("cursor_minute"), "archive_rows_waiting": archive.get("rows_waiting"),
            "archive_trouble": archive.get("trouble"), "disk_free_bytes": free,
        }  # fmt: skip

    async def hush(self, asked: HushAsked) -> dict[str, str]:
        """Hush a rule, or let it speak again, as `wattround hush` does."""
        try:
            return {"done": await self._rooms.pulse.core("hush", request=asked.model_dump(exclude_none=True))}
        except ValueError as refusal:
            raise WrongQuery(str(refusal)) from None

    async def health(self) -> dict[str, str]:
        """Whether the core answers; it needs no token, and says nothing of the house."""
        await self._rooms.pulse.facts(fresh_s=5.0)
        return {"state": "running"}

    async def metrics(self) -> Response:
        """Figures in the OpenMetrics text format."""
        return Response(exposition(await self._rooms.pulse.facts()), media_type=KIND)


def _json(text: str) -> Response:
    return Response(text, media_type="application/json")


def _cell(from_ms: int, to_ms: int, of: Seen | None) -> dict[str, Any]:
    watts, covered_ms = (None, 0) if of is None else (round(of.watts, 3), of.covered_ms)
    return {"from_ms": from_ms, "to_ms": to_ms, "mean_w": watts, "covered_ms": covered_ms}


def _sums(from_ms: int, to_ms: int, cells: list[dict[str, Any]]) -> dict[str, Any]:
    wms = sum(each["mean_w"] * each["covered_ms"] for each in cells if each["mean_w"] is not None)
    return {"from_ms": from_ms, "to_ms": to_ms, "energy_kwh": round(wms / 3.6e9, 6), "cells": cells}
