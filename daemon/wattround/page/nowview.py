"""Now: every meter as a row."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.core.trial import Trial
from wattround.core.viewwords import OCCUPANCY
from wattround.ledger.tally import Tally
from wattround.page.day import Day
from wattround.page.figures import gives, is_quiet, live_cells, watts_cell
from wattround.page.notes import Note, notes
from wattround.pictures.ink import plain

ORDERS = {"tree": "the tree", "watts": "watts", "money": "money today"}
DEEPEST = 8


def now_view(facts: Mapping[str, Any], settings: Settings, tally: Tally | None, day: Day, by: str) -> dict[str, Any]:
    """What the template needs; without a ledger there are no strips and no changes."""
    zone = ZoneInfo(settings.house.time_zone)
    labels = {meter["name"]: plain(meter["label"]) for meter in facts["meters"]}
    drawn = day.look(tally, labels, facts["now_ms"], zone) if tally is not None else None
    changes, trials = (entries(tally.book, Change), entries(tally.book, Trial)) if tally is not None else ({}, {})
    found = notes(facts, settings, changes, trials, zone)
    strips = drawn.strips if drawn is not None else {}
    return {
        "rows": list(_rows(facts, by, found, strips)), "by": by, "orders": ORDERS, "notes": found,
        "ruler": drawn.ruler if drawn is not None else "", "key": drawn.key if drawn is not None else [],
        "exports": any(map(gives, facts["meters"])),
        "occupancy": OCCUPANCY.get(facts["occupancy"] or "", ""),
    }  # fmt: skip


def _rows(
    facts: Mapping[str, Any], by: str, found: Sequence[Note], strips: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    labels = {meter["name"]: meter["label"] for meter in facts["meters"]}
    letters: dict[str, list[str]] = {}
    for note in found:
        for name in note.meters:
            letters.setdefault(name, []).append(note.letter)
    opened = {episode["load"] for episode in facts["episodes"]}
    for meter in _ordered(facts["meters"], by):
        name, within = meter["name"], meter["within"]
        yield {
            "name": name, "label": plain(meter["label"]), "cells": live_cells(meter),
            "depth": min(meter["depth"], DEEPEST) if by == "tree" else 0,
            "within": plain(labels.get(within, "")) if by != "tree" and within else "",
            "strip": strips.get(name, ""), "letters": letters.get(name, []),
            "open": name in opened, "quiet": is_quiet(meter),
            "rest": watts_cell(meter["unmeasured_w"]) if by == "tree" and meter["unmeasured_w"] is not None else "",
        }  # fmt: skip


def _ordered(meters: Sequence[Mapping[str, Any]], by: str) -> Sequence[Mapping[str, Any]]:
    if by == "watts":
        return sorted(meters, key=lambda each: -(each["watts_w"] if each["watts_w"] is not None else -1e9))
    if by == "money":
        return sorted(
            meters, key=lambda each: (each["role"] in ("generation", "storage"), -Decimal(each["today_cost"]))
        )
    return meters
