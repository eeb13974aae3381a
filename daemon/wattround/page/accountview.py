"""The account: a report of any days, what has changed against others, and the bills."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from wattround.analysis.billcheck import Side
from wattround.analysis.billdata import HOW, TARIFF, WORDS, bill_text, held, notes
from wattround.analysis.billwords import alike, reasons, says
from wattround.analysis.periods import NAMES, WrongPeriod
from wattround.analysis.reporting.facts import facts
from wattround.analysis.reporting.inquiry import Asked, look_at
from wattround.config.model import Settings
from wattround.ledger.tally import Tally
from wattround.pictures.ink import plain

PERIODS = dict(
    zip(
        NAMES,
        ("today", "yesterday", "this week", "this month", "last month", "this year", "last 7 days", "last 30 days"),
        strict=True,
    )
)
MOST_DAYS = 3700
FIELDS = ("period", "from", "to", "against", "then_from", "then_to")
"""What the form asks for."""


class WrongQuery(ValueError):  # noqa: N818 - a person asked for what there is not
    """What an address asks for makes no sense."""


def asked_of(query: Mapping[str, str]) -> Asked:
    """What a form asks for.

    Raises:
        WrongQuery: for what is no day, or no period.
    """
    first, last = _day("from", query), _day("to", query)
    period = query.get("period", "")
    if period and period not in NAMES:
        raise WrongQuery(f'period: found "{period[:50]}"; expected one of {", ".join(NAMES)}')
    if last is not None and first is None:
        raise WrongQuery("to: expected from beside it")
    if first is not None:
        period = ""  # days that are named go before
    if first is not None and last is not None and (last - first).days > MOST_DAYS:
        raise WrongQuery(f"from, to: found {(last - first).days} days; expected at most {MOST_DAYS}")
    before, after = _day("then_from", query), _day("then_to", query)
    against = query.get("against", "")
    if before is not None or after is not None:
        against = f"{before or after}..{after or before}"
    elif against not in ("", "previous"):
        raise WrongQuery(f'against: found "{against[:50]}"; expected previous, or the days then_from and then_to')
    return Asked(period, first, last, against)


def _day(key: str, query: Mapping[str, str]) -> date | None:
    found = query.get(key, "")
    try:
        return date.fromisoformat(found) if found else None
    except ValueError:
        raise WrongQuery(f'{key}: found "{found[:50]}"; expected a day such as 2026-03-01') from None


def account_view(tally: Tally, settings: Settings, asked: Asked, now_ms: int) -> dict[str, Any]:
    """What the template needs.

    Raises:
        WrongQuery: if the ledger has nothing of what was asked for.
    """
    try:
        look = look_at(tally, settings, asked, now_ms)
        found = facts(look, asked, maps=False)
    except WrongPeriod as wrong:
        raise WrongQuery(str(wrong).removeprefix("--")) from None
    return {"found": found, "bills": bills_view(tally, settings)}


def bills_view(tally: Tally, settings: Settings) -> dict[str, Any]:
    """The bills, each held against the ledger, the latest first."""
    currency = settings.house.currency
    try:
        found = held(tally, settings, None)
    except ValueError:
        return {"bills": [], "how": ""}
    shown = []
    for of in reversed(found.checks):
        side = of.bought
        shown.append({
            "number": of.number, "text": plain(bill_text(of.bill, currency)), "first": f"{of.bill.first}",
            "last": f"{of.bill.last}", "billed": f"{side.billed_uwh / 1e9:.2f}",
            "metered": f"{side.metered_uwh / 1e9:.2f}" if side.covered else "",
            "apart": _apart(side),
            "allowed": f"{side.allowed_uwh / 1e9:.2f}" if side.covered else "",
            "covered": f"{100 * side.covered:.1f} %", "energy": WORDS[side.verdict],
            "tariff": TARIFF[of.money.verdict], "money": "" if of.bill.money is None else f"{of.bill.money}",
            "says": says(of, currency), "reasons": reasons(of, found.roles, alike(found.checks, of)),
            "notes": list(notes(of)),
        })  # fmt: skip
    return {"bills": shown, "how": HOW}


def _apart(side: Side) -> str:
    if not side.covered or not side.billed_uwh:
        return ""
    return f"{100 * side.difference_uwh / side.billed_uwh:+.1f} %"
