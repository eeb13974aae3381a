"""The listed loads with the ledger in hand: priced, and held against what their circuits used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

from wattround.analysis.inventory import (
    Amount,
    Explained,
    Prices,
    Use,
    accuracy,
    kwh_a_year,
    money_a_year,
    prices_of,
    use_of,
)
from wattround.analysis.report import Scene
from wattround.analysis.reporting.inquiry import Asked, looking
from wattround.analysis.reporting.listed import held
from wattround.analysis.reporting.listed import percents as percents_of
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.inventory import Load
from wattround.ledger.tally import Tally
from wattround.money.amount import UWH_PER_KWH

YEAR_MS = 365 * 86_400_000


class Listed(NamedTuple):
    """One load, with what it comes to; None where its watts or hours, or the price, are not known."""

    number: int
    load: Load
    kwh: Amount | None
    money: Amount | None


class Inventory(NamedTuple):
    """All of them, by room and name; sums of those that are known."""

    settings: Settings
    rows: Sequence[Listed]
    kwh: Amount
    money: Amount | None


class Check(NamedTuple):
    """Circuits in the order of the tree, over [from_ms, to_ms); loads that hang nowhere."""

    settings: Settings
    from_ms: int
    to_ms: int
    circuits: Sequence[Explained]
    nowhere: Sequence[str]


def inventory(settings: Settings, now_ms: int) -> Inventory:
    """All loads, with energy and money.

    Raises:
        NoLedger: if there is no ledger.
        ValueError: if an entry cannot be read.
        sqlite3.Error: if the ledger cannot be read.
    """
    tally = Tally(Path(settings.ledger.folder), settings.house.id)
    try:
        loads, scene = entries(tally.book, Load), Scene.of(tally, settings)
        prices = _prices(scene, now_ms)
        percents = percents_of(scene)
    finally:
        tally.close()
    rows = [_listed(number, load, prices, percents) for number, load in loads.items()]
    rows.sort(key=lambda row: (row.load.room, row.load.name))
    kwh = _sum([row.kwh for row in rows])
    money = _sum([row.money for row in rows]) if prices is not None else None
    return Inventory(settings, rows, kwh, money)


def _listed(number: int, load: Load, prices: Prices | None, percents: Mapping[str, float]) -> Listed:
    use: Use | None = use_of(load, accuracy(load, percents))
    if use is None:
        return Listed(number, load, None, None)
    return Listed(number, load, kwh_a_year(use), money_a_year(use, prices) if prices is not None else None)


def _sum(amounts: Sequence[Amount | None]) -> Amount:
    known = [each for each in amounts if each is not None]
    return Amount(sum(each.value for each in known), sum(each.u**2 for each in known) ** 0.5)


def _prices(scene: Scene, now_ms: int) -> Prices | None:
    """Of the last year; where prices go by how much is bought, the mean of it."""
    begin_ms = now_ms - YEAR_MS
    mean: Decimal = scene.purse.share_cost(UWH_PER_KWH, begin_ms, now_ms)
    return prices_of(scene.purse.schedule(begin_ms, now_ms), begin_ms, now_ms, mean or None)


def check(settings: Settings, asked: Asked, now_ms: int) -> Check:
    """Every circuit with what its listed loads explain of it.

    Raises:
        WrongPeriod: if the days make no sense, or the ledger has nothing of them.
        NoLedger: if there is no ledger.
        ValueError: if an entry cannot be read.
        sqlite3.Error: if the ledger cannot be read.
    """
    with looking(settings, asked, now_ms) as look:
        scene = look.scene
        loads = list(entries(scene.tally.book, Load).values())
        from_ms, to_ms = look.span
        found = list(held(scene, loads, from_ms, to_ms, every=True))
    return Check(settings, from_ms, to_ms, found, [load.name for load in loads if load.circuit is None])
