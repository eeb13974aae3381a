"""Bills held against the ledger: found, and as plain values and short texts for terminals, pages and programs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from wattround.analysis.billcheck import UWH_PER_KWH, Check, Side, check
from wattround.analysis.billwords import alike, reasons, says
from wattround.analysis.report import Scene
from wattround.config.model import Settings
from wattround.core.bill import Bill
from wattround.core.book import entries
from wattround.ledger.tally import Tally
from wattround.money.amount import to_cents

HOW = (
    "The meters allow: limits of error as rectangular distributions, combined by the GUM (JCGM 100:2008), k = 2."
    " What may be missing is added whole."
)
WORDS = {"agrees": "agrees", "meters-more": "we show more", "meters-less": "we show less", "cannot-tell": "cannot tell"}
TARIFF = {"agrees": "fits", "invoice-more": "differs", "invoice-less": "differs", "cannot-tell": ""}


class Found(NamedTuple):
    """All bills, held against the ledger, in order of their days; `asked` is the one that was asked for."""

    settings: Settings
    roles: Mapping[str, str]
    checks: Sequence[Check]
    asked: Check | None


def find(settings: Settings, number: int | None) -> Found:
    """Check the bills.

    Raises:
        ValueError: if there are none, or not this one.
        NoLedger: if there is no ledger.
        sqlite3.Error: if it cannot be read.
    """
    tally = Tally(Path(settings.ledger.folder), settings.house.id)
    try:
        return held(tally, settings, number)
    finally:
        tally.close()


def held(tally: Tally, settings: Settings, number: int | None) -> Found:
    """The same, with the ledger in hand.

    Raises:
        ValueError: if there are none, or not this one.
    """
    bills = entries(tally.book, Bill)
    if not bills:
        raise ValueError("no bill has been entered: wattround bill add --from 2026-03-01 --to 2026-03-31 --kwh ...")
    if number is not None and number not in bills:
        raise ValueError(f"N: found {number}; expected the number of a bill: one of {', '.join(map(str, bills))}")
    scene, kept = Scene.of(tally, settings), tally.kept()
    checks = [check(scene, at, bill, kept) for at, bill in sorted(bills.items(), key=lambda item: item[1].first)]
    roles = {name: meter.role for name, meter in scene.meters.items()}
    return Found(settings, roles, checks, next((each for each in checks if each.number == number), None))


def bill_text(bill: Bill, currency: str) -> str:
    """A bill in one line."""
    parts = [f"{bill.first} to {bill.last}, {bill.days} day{'s' if bill.days > 1 else ''}", f"{bill.bought_kwh} kWh"]
    parts += [f"{bill.export_kwh} kWh given back"] if bill.export_kwh is not None else []
    parts += [f"{bill.money} {currency}"] if bill.money is not None else []
    return ", ".join(parts)


def notes(of: Check) -> Iterator[str]:
    """What the figures of a bill rest on."""
    if not of.supplied:
        yield "no meter has the role supply: the outermost meters stand for it"
    if of.bill.meter_class is None:
        yield "the class of the utility's meter was not said (--class): taken as A, the widest, 3.5 %"
    if of.money.ragged:
        yield "these days are not a billing period of the settings ([billing]), by which blocks are counted"
    if of.bill.supply is not None and of.money.invoice is not None:
        yield "the tariffs are the house's: they know of no single supply"


# -- for programs ---------------------------------------------------------------------------------


def listed_plain(bills: Mapping[int, Bill], settings: Settings) -> dict[str, Any]:
    """The bills as plain values; money is text, so that no program makes it inexact."""
    found = [_plain_bill(number, bill) for number, bill in sorted(bills.items(), key=lambda item: item[1].first)]
    return {"house": settings.house.id, "currency": settings.house.currency, "bills": found}


def _plain_bill(number: int, bill: Bill) -> dict[str, Any]:
    return {
        "number": number, "from": str(bill.first), "to": str(bill.last), "days": bill.days,
        "kwh": float(bill.bought_kwh), "reading_from": _float(bill.reading_from), "reading_to": _float(bill.reading_to),
        "export_kwh": _float(bill.export_kwh), "money": _text(bill.money), "class": bill.meter_class,
        "supply": bill.supply, "note": bill.note,
    }  # fmt: skip


def as_json(found: Found) -> str:
    """The bill that was asked for, or all, as one JSON object."""
    house = found.settings.house
    bills = [_plain(found, each) for each in ([found.asked] if found.asked else found.checks)]
    return json.dumps({"house": house.id, "currency": house.currency, "bills": bills})


def _plain(found: Found, of: Check) -> dict[str, Any]:
    money = of.money
    return {
        **_plain_bill(of.number, of.bill),
        "meters": list(of.meters),
        "bought": _plain_side(of.bought),
        "given_back": None if of.given is None else _plain_side(of.given),
        "tariff": {
            "metered": None if money.metered is None else str(money.metered.total),
            "billed": str(money.billed.total), "invoice": _text(money.invoice), "difference": _text(money.difference),
            "allowed": str(to_cents(money.allowed)), "unpriced_kwh": money.unpriced_uwh / UWH_PER_KWH,
            "verdict": money.verdict,
        },
        "says": says(of, found.settings.house.currency),
        "reasons": reasons(of, found.roles, alike(found.checks, of)),
        "notes": list(notes(of)),
    }  # fmt: skip


def _plain_side(side: Side) -> dict[str, Any]:
    missed, limits = side.missed, side.limits
    return {
        "billed_kwh": side.billed_uwh / UWH_PER_KWH,
        "metered_kwh": side.metered_uwh / UWH_PER_KWH if side.covered else None,
        "difference_kwh": side.difference_uwh / UWH_PER_KWH if side.covered else None,
        "difference_percent": (
            round(100 * side.difference_uwh / side.billed_uwh, 3) if side.covered and side.billed_uwh else None
        ),
        "covered_percent": round(100 * side.covered, 3),
        "missed_likely_kwh": None if missed is None else missed.likely_uwh / UWH_PER_KWH,
        "missed_most_kwh": None if missed is None else missed.most_uwh / UWH_PER_KWH,
        "limits_kwh": {
            "ours": [each / UWH_PER_KWH for each in limits.ours],
            "utility": limits.utility / UWH_PER_KWH,
            "rounding": [each / UWH_PER_KWH for each in limits.rounding],
        },
        "allowed_kwh": side.allowed_uwh / UWH_PER_KWH,
        "worst_kwh": side.worst_uwh / UWH_PER_KWH,
        "beyond_kwh": side.beyond_uwh / UWH_PER_KWH if side.covered else None,
        "verdict": side.verdict,
    }  # fmt: skip


def _float(of: Decimal | None) -> float | None:
    return None if of is None else float(of)


def _text(of: Decimal | None) -> str | None:
    return None if of is None else str(of)
