"""`wattround whatif` for programs: --json, with keys that stay. Money is text, so that no program makes it inexact."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from wattround.analysis.whatif.answer import Answer, Outcome
from wattround.analysis.whatif.home import Home
from wattround.analysis.whatif.ranking import Ranking, Suggestion
from wattround.analysis.whatif.yearly import SEED, Year, cents
from wattround.cli.whatif import When, command
from wattround.money.amount import to_cents

UWH_PER_KWH = 1e9


def as_json(found: Answer | Ranking, file: Path, when: When) -> str:
    """All of it, as one JSON object."""
    facts = _ranking(found, file, when) if isinstance(found, Ranking) else _answer(found)
    return json.dumps({**_head(found.home, found.from_ms, found.to_ms), **facts})


def _head(home: Home, from_ms: int, to_ms: int) -> dict[str, Any]:
    begin, end = (datetime.fromtimestamp(at / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for at in (from_ms, to_ms))
    house = home.settings.house
    return {"house": house.id, "from": begin, "to": end, "currency": house.currency, "seed": SEED}


def _answer(of: Answer) -> dict[str, Any]:
    return {
        "load": of.load, "label": of.home.label(of.load), "change": of.change.title,
        "used_kwh": of.taken_uwh / UWH_PER_KWH, "covered_percent": round(100 * of.covered_share, 3),
        "price": None if of.price is None else str(of.price),
        "variants": [_outcome(each) for each in of.outcomes],
        "notes": list(of.notes), "cautions": list(of.cautions),
    }  # fmt: skip


def _outcome(of: Outcome) -> dict[str, Any]:
    saved, back = of.saved, of.payback
    return {
        "name": of.variant.name, "saved_kwh": saved.uwh / UWH_PER_KWH,
        "less_kwh": sum(of.variant.effect.less) / UWH_PER_KWH, "more_kwh": sum(of.variant.effect.more) / UWH_PER_KWH,
        "saved": str(to_cents(saved.amount)), "saved_at_marginal_prices": str(to_cents(saved.marginal)),
        "billed_again": of.is_rebilled, "unpriced_kwh": saved.unpriced_uwh / UWH_PER_KWH, **_year(of.money, of.uwh),
        "payback_years": None if back is None else _years(back.years),
        "payback_least_years": None if back is None else _years(back.least),
        "payback_most_years": None if back is None else _years(back.most), "notes": list(of.variant.notes),
    }  # fmt: skip


def _years(years: float | None) -> float | None:
    return None if years is None else round(years, 2)


def _year(money: Year, uwh: Year) -> dict[str, Any]:
    return {
        "kwh_per_year": None if uwh.mean is None else round(uwh.mean / UWH_PER_KWH, 6),
        "money_per_year": _text(money.mean), "least_per_year": _text(money.least), "most_per_year": _text(money.most),
        "seen": money.seen, "seen_unit": money.unit, "seasons_known": money.is_whole,
    }  # fmt: skip


def _text(amount: float | None) -> str | None:
    found = cents(amount)
    return None if found is None else str(found)


def _ranking(of: Ranking, file: Path, when: When) -> dict[str, Any]:
    return {
        "changes": [_suggestion(of.home, each, file, when) for each in of.suggestions],
        "left_out": {reason: list(names) for reason, names in of.left_out.items()}, "notes": list(of.notes),
    }  # fmt: skip


def _suggestion(home: Home, of: Suggestion, file: Path, when: When) -> dict[str, Any]:
    return {
        "load": of.load, "label": home.label(of.load), "change": of.title, "command": command(of, file, when),
        **_year(of.money, of.uwh),
    }  # fmt: skip
