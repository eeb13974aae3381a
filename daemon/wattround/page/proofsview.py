"""Proofs: what the book says of changes, watched savings and trials; what was worked out of them, once somebody asked.

Nothing here computes: verdicts and pictures come from `workshop.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from wattround.analysis.watching import holds, watched
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.core.trial import Trial
from wattround.ledger.tally import Tally
from wattround.metering.localtime import local_date
from wattround.page.figures import moment_text, named
from wattround.page.rooms import Rooms
from wattround.page.trialsview import trial_plain, trials_view
from wattround.page.workshop import Worked, Workshop
from wattround.pictures.ink import plain
from wattround.pictures.paper import picture

NOTHING = {"day": "", "range": "", "year": ""}


def asked_about(tally: Tally, settings: Settings, now_ms: int) -> tuple[object, ...]:
    """What an answer stands for: with another day, another book or other settings it may be another one."""
    day = local_date(now_ms, ZoneInfo(settings.house.time_zone))
    return day, tuple(tally.book.rows(Change.kind)), tuple(tally.book.rows(Trial.kind)), settings


async def begin_proofs(rooms: Rooms) -> None:
    """Have them worked out, as of now."""
    now_ms = (await rooms.pulse.facts())["now_ms"]
    about = await rooms.quick.ask("proofs-of", lambda tally: asked_about(tally, rooms.settings(), now_ms), 0)
    rooms.workshop.begin(about)


def proofs_view(
    tally: Tally | None, settings: Settings, facts: Mapping[str, Any], workshop: Workshop
) -> dict[str, Any]:
    """What the template needs; without a ledger there is nothing to list."""
    zone, now_ms = ZoneInfo(settings.house.time_zone), facts["now_ms"]
    labels = {meter["name"]: plain(meter["label"]) for meter in facts["meters"]}
    if tally is None:
        nothing = {"worked": Worked("not asked"), "proofs": [], "together": [], "lack": ""}
        return {"changes": [], "watched": [], "trials": [], **nothing}
    changes = sorted(entries(tally.book, Change).items(), key=lambda item: item[1].at_ms)
    worked = workshop.look(asked_about(tally, settings, now_ms))
    return {
        "changes": [_change(number, change, labels, zone) for number, change in changes],
        "watched": [
            {"change": plain(entry.change), "on": named(entry.on, labels), "since": f"{entry.since}",
             "says": holds(entry, state)}
            for entry, state in watched(tally)
        ],
        "trials": trials_view(entries(tally.book, Trial), labels, now_ms, zone),
        "worked": worked, "proofs": list(_proofs(worked, labels)),
        "together": _together(worked), "lack": workshop.lack,
    }  # fmt: skip


def _change(number: int, change: Change, labels: Mapping[str, str], zone: ZoneInfo) -> dict[str, str]:
    until, expected = change.until_ms, change.expect_wh
    return {
        "number": f"{number}", "name": plain(change.name), "on": named(change.on, labels),
        "since": moment_text(change.at_ms, zone), "until": "" if until is None else moment_text(until, zone),
        "expected": "" if expected is None else f"{expected / 1000:.2f}",
        "with": plain(change.along_with or ""), "note": plain(change.note),
        "cost": "" if change.cost is None else f"{change.cost:.2f}",
    }  # fmt: skip


# -- what was worked out --------------------------------------------------------------------------


def _proofs(worked: Worked, labels: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Changes, then trials."""
    facts: Mapping[str, Any] = worked.facts if worked.facts is not None else {"changes": [], "trials": []}
    for found in facts["changes"]:
        row = _figures(found["evidence"]) if found["evidence"] is not None else NOTHING
        names = {"name": plain(found["change"]), "with": [plain(each) for each in found["with"]]}
        yield {**row, **names, **_shown(found, labels)}
    for found in facts["trials"]:
        saved = found["saved_wh_per_day"]
        row = {**_day(saved), "year": ""} if saved is not None else NOTHING
        yield {**row, "name": plain(found["trial"]), "with": [], **_shown(found, labels)}


def verdicts_of(tally: Tally, settings: Settings, now_ms: int, workshop: Workshop) -> dict[str, str]:
    """The verdict of each change by name, where they are worked out and still stand."""
    worked = workshop.look(asked_about(tally, settings, now_ms))
    found = worked.facts["changes"] if worked.facts is not None else []
    return {name: each["verdict"] for each in found for name in (each["change"], *each["with"])}


def _together(worked: Worked) -> list[str]:
    """What all changes come to; where only trials are, there is nothing to add up."""
    found = worked.facts.get("together") if worked.facts is not None else None
    return found["says"] if found is not None else []


def _shown(found: Mapping[str, Any], labels: Mapping[str, str]) -> dict[str, Any]:
    shown = found["page"]
    return {
        "on": named(found["on"], labels), "verdict": found["verdict"], "sentence": found["sentence"],
        "worth": shown["worth"], "warnings": shown["warnings"], "basis": shown["basis"],
        "figures": [(picture(each["svg"]), each["caption"]) for each in shown["figures"]],
    }  # fmt: skip


def _figures(evidence: Mapping[str, Any]) -> dict[str, str]:
    year = evidence["yearly_money"]
    return {**_day(evidence["avoided_wh_per_day"]), "year": f"{float(year[0]):.2f}" if year else ""}


def _day(saved: Mapping[str, Any]) -> dict[str, str]:
    """Energy a day, and its interval, whose ends may be open."""
    low, high = ("?" if saved[end] is None else f"{saved[end] / 1000:.3f}" for end in ("low", "high"))
    return {"day": f"{saved['value'] / 1000:.3f}", "range": f"{low} to {high}"}


# -- for programs ---------------------------------------------------------------------------------


def proofs_plain(tally: Tally, settings: Settings, now_ms: int, workshop: Workshop) -> dict[str, Any]:
    """The same for programs, without pictures."""
    zone = ZoneInfo(settings.house.time_zone)
    worked = workshop.look(asked_about(tally, settings, now_ms))
    return {
        "state": worked.state, "trouble": worked.trouble or workshop.lack or None,
        "changes": [
            {"number": number, **change.model_dump(mode="json")}
            for number, change in entries(tally.book, Change).items()
        ],
        "watched": [
            {"change": entry.change, "on": entry.on, "since": entry.since, "saved_wh": float(entry.saved_wh),
             "days_judged": state.get("days", 0), "worn_off": state["worn_off"] if state.get("days") else None}
            for entry, state in watched(tally)
        ],
        "trials": [
            trial_plain(number, trial, now_ms, zone) for number, trial in entries(tally.book, Trial).items()
        ],
        "worked_out": None if worked.facts is None else _without_pages(worked.facts),
    }  # fmt: skip


def _without_pages(facts: Mapping[str, Any]) -> dict[str, Any]:
    bare = {
        kind: [{key: value for key, value in each.items() if key != "page"} for each in facts[kind]]
        for kind in ("changes", "trials")
    }
    return {**facts, **bare}
