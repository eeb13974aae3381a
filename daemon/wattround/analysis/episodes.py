"""Episodes of a stretch of time, as the ledger has them: open ones, past ones, and what each rule and load came to."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any, NamedTuple

from wattround.core.hushing import hush_text
from wattround.core.saved import upgraded
from wattround.ledger.batch import EpisodeRow
from wattround.ledger.reader import Reader
from wattround.rules.hush import Hush


class Total(NamedTuple):
    """What several episodes came to."""

    name: str
    episodes: int
    lasting_s: int
    waste_wh: float
    cost: Decimal
    unpriced_wh: float


class Account(NamedTuple):
    """Episodes and their totals; `as_of_ms` is when the ledger was last written."""

    as_of_ms: int
    open: list[EpisodeRow]
    past: list[EpisodeRow]
    by_rule: list[Total]
    by_load: list[Total]
    hushes: list[Hush]


def account(reader: Reader, from_ms: int, to_ms: int, rules: Iterable[str] = (), loads: Iterable[str] = ()) -> Account:
    """Episodes of [from_ms, to_ms), of the named rules and loads only, if any are named.

    An open episode's waste is that of the last commit, at most a checkpoint ago.
    """
    wanted_rules, wanted_loads = set(rules), set(loads)
    found = [
        row
        for row in reader.episodes(from_ms, to_ms)
        if (not wanted_rules or row.rule in wanted_rules) and (not wanted_loads or row.load in wanted_loads)
    ]
    saved = reader.state("house")
    state = upgraded(saved[1]) if saved else None
    as_of_ms = saved[0] if saved else to_ms
    wasted = {
        (run["rule"], run["load"], run["run"][0]): run["waste_uwh"] for run in (state["rules"]["runs"] if state else ())
    }
    found = [
        row if row.settled_ms is not None else row._replace(waste_uwh=wasted.get(row[:3], row.waste_uwh))
        for row in found
    ]
    hushes = [Hush(*plain) for plain in state["manners"]["hushes"]] if state else []
    return Account(
        as_of_ms,
        [row for row in found if row.settled_ms is None],
        [row for row in found if row.settled_ms is not None],
        _totals(found, as_of_ms, lambda row: row.rule),
        _totals(found, as_of_ms, lambda row: row.load),
        hushes,
    )


def _totals(rows: list[EpisodeRow], as_of_ms: int, name_of: Callable[[EpisodeRow], str]) -> list[Total]:
    found: dict[str, list[EpisodeRow]] = {}
    for row in rows:
        found.setdefault(name_of(row), []).append(row)
    totals = [
        Total(
            name,
            len(mine),
            sum(lasting_ms(row, as_of_ms) for row in mine) // 1000,
            sum(row.waste_uwh for row in mine) / 1e6,
            sum((Decimal(row.cost) for row in mine), Decimal(0)),
            sum(row.unpriced_uwh for row in mine) / 1e6,
        )
        for name, mine in found.items()
    ]
    return sorted(totals, key=lambda total: (-total.waste_wh, -total.lasting_s, total.name))


def lasting_ms(row: EpisodeRow, as_of_ms: int) -> int:
    """How long an episode lasted, or has lasted until now."""
    return (row.settled_ms if row.settled_ms is not None else max(as_of_ms, row.raised_ms)) - row.began_ms


def plain(found: Account) -> dict[str, Any]:
    """For scripts."""

    def episode(row: EpisodeRow) -> dict[str, Any]:
        lasting_s = lasting_ms(row, found.as_of_ms) // 1000
        return {**row._asdict(), "waste_wh": row.waste_uwh / 1e6, "lasting_s": lasting_s,
                "unpriced_wh": row.unpriced_uwh / 1e6}  # fmt: skip

    def total(total: Total) -> dict[str, Any]:
        return {**total._asdict(), "cost": str(total.cost)}

    return {
        "as_of_ms": found.as_of_ms,
        "open": [episode(row) for row in found.open],
        "past": [episode(row) for row in found.past],
        "by_rule": [total(each) for each in found.by_rule],
        "by_load": [total(each) for each in found.by_load],
        "hushed": [
            {"rule": hush.rule, "load": hush.load, "until": hush_text(hush, found.as_of_ms)} for hush in found.hushes
        ],
    }
