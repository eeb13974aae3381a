"""What is wrong or doubtful about what electricity costs: hours without a price or with two, what cannot be known."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise
from pathlib import Path as FilePath

from wattround.config.finding import Finding
from wattround.config.kinds import WEEKDAYS, duration_text
from wattround.config.model import Settings
from wattround.config.part import DAY_MS
from wattround.config.positions import Path
from wattround.config.pricefile import BadPrices, read_prices
from wattround.config.problems import nearest
from wattround.config.tariff import Band, Block, Dynamic, Energy, Tariff
from wattround.config.tiling import Clash, clashes

KINDS = ("price_per_kwh", "bands", "blocks", "dynamic")
LONGEST_PRICE = 2 * DAY_MS
NOT_DECLARED = "negative_prices = true in this tariff, if that is meant"


def tariff_findings(settings: Settings) -> Iterator[Finding]:
    """Everything about prices."""
    house = settings.house
    if house.price_per_kwh is not None and settings.tariffs:
        yield Finding(("house", "price_per_kwh"), "a price beside [[tariffs]]", "one of the two",
                      "one flat price for ever here, anything else there")  # fmt: skip
    if house.price_per_kwh is None and not settings.tariffs:
        yield Finding(("house",), "no price", "price_per_kwh, or [[tariffs]]", "what a kilowatt-hour costs you")
    yield from _dates(settings.tariffs)
    for index, tariff in enumerate(settings.tariffs):
        here: Path = ("tariffs", index)
        yield from _energy(settings, here, tariff, tariff)
        if tariff.export is not None:
            yield from _energy(settings, (*here, "export"), tariff.export, tariff)
            if tariff.export.blocks is not None:
                yield Finding((*here, "export", "blocks"), "blocks for what is given back",
                              "price_per_kwh, bands or dynamic")  # fmt: skip


def _dates(tariffs: tuple[Tariff, ...]) -> Iterator[Finding]:
    """Each tariff but the first begins on a day, later than the one before."""
    newest: date | None = None
    for index, tariff in enumerate(tariffs):
        path: Path = ("tariffs", index, "from")
        if tariff.from_ is None and index > 0:
            yield Finding(path, "nothing", "the day on which it takes the place of the one before",
                          "from = 2026-01-01")  # fmt: skip
        elif tariff.from_ is not None and index == 0:
            yield Finding(path, str(tariff.from_), "what was used before that day has no price; leave this out if the "
                          "first tariff held before, too", severity="warning")  # fmt: skip
        elif tariff.from_ is not None and newest is not None and tariff.from_ <= newest:
            yield Finding(path, str(tariff.from_), f"a day after {newest}, that of the tariff before",
                          "tariffs stand in order of their days")  # fmt: skip
        newest = max(filter(None, (newest, tariff.from_)), default=None)


def _energy(settings: Settings, here: Path, energy: Energy, tariff: Tariff) -> Iterator[Finding]:
    given = [kind for kind in KINDS if getattr(energy, kind) is not None]
    if len(given) != 1:
        yield Finding(here, " and ".join(given) or "no price", f"one of {', '.join(KINDS)}")
    negative = tariff.negative_prices
    if energy.price_per_kwh is not None:
        yield from _negative((*here, "price_per_kwh"), energy.price_per_kwh, negative)
    if energy.bands is not None:
        yield from _bands((*here, "bands"), energy.bands, tariff)
    if energy.blocks is not None:
        yield from _blocks((*here, "blocks"), energy.blocks, negative)
    if energy.dynamic is not None:
        yield from _dynamic(settings, (*here, "dynamic"), energy.dynamic, negative)


def _negative(path: Path, price: Decimal, negative: bool) -> Iterator[Finding]:
    if price < 0 and not negative:
        yield Finding(path, f"{price}, a negative price", "a price of at least 0", NOT_DECLARED)


# -- bands ------------------------------------------------------------------------------------------


def _bands(path: Path, bands: tuple[Band, ...], tariff: Tariff) -> Iterator[Finding]:
    well_formed = True
    rests = [at for at, band in enumerate(bands) if band.is_rest]
    for at in rests[1:]:
        well_formed = False
        yield Finding((*path, at), "no conditions", "one band without conditions: it is for the rest",
                      f"{bands[rests[0]].name} has none either")  # fmt: skip
    for at, band in enumerate(bands):
        yield from _negative((*path, at, "price_per_kwh"), band.price_per_kwh, tariff.negative_prices)
        begins, ends = band.minutes
        if band.between is not None and band.between[0] == band.between[1]:
            well_formed = False
            yield Finding((*path, at, "between"), f'"{_clock(begins)}" twice', "two different times",
                          'the whole day: ["00:00", "24:00"], or leave it out')  # fmt: skip
        elif ends - begins > 1440:
            well_formed = False
            yield Finding((*path, at, "between"), f"{_clock(begins)} to {_clock(ends)}", "at most 24 hours")
        if band.holidays and not tariff.holidays:
            yield Finding((*path, at, "holidays"), "true", "this band is for holidays, but the tariff has none: never",
                          "holidays = [2026-12-25]", "warning")  # fmt: skip
    if well_formed:
        yield from _tiling(path, bands, has_holidays=bool(tariff.holidays))


def _tiling(path: Path, bands: tuple[Band, ...], *, has_holidays: bool) -> Iterator[Finding]:
    found = clashes(bands, has_holidays=has_holidays)
    gaps = [clash for clash in found if not clash.bands]
    if gaps:
        yield Finding(path, f"no band: {_when(gaps)}", "a band for every hour",
                      "one without conditions is for the rest")  # fmt: skip
    pairs: dict[tuple[int, int], list[Clash]] = {}
    for clash in found:
        if clash.bands:
            pairs.setdefault((clash.bands[0], clash.bands[1]), []).append(clash)
    for (first, second), where in pairs.items():
        yield Finding((*path, second), f"both {bands[first].name} and {bands[second].name}: {_when(where)}",
                      "one band for every hour", "weekdays and seasons are of the day a window begins on")  # fmt: skip


def _when(found: list[Clash]) -> str:
    """The first of them in words, and how many more there are."""
    first = found[0]
    day = date(2024, 1, 1) + timedelta(days=first.day)
    season = f" (on {day:%m-%d})" if any(clash.day != first.day for clash in found) or first.seasonal else ""
    holiday = ", a holiday" if first.holiday else ""
    more = f", and {len(found) - 1} more" if len(found) > 1 else ""
    return f"{WEEKDAYS[first.weekday]} {_clock(first.begins)} to {_clock(first.ends)}{season}{holiday}{more}"


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02}:{minutes % 60:02}"


# -- blocks -----------------------------------------------------------------------------------------


def _blocks(path: Path, blocks: tuple[Block, ...], negative: bool) -> Iterator[Finding]:
    for at, block in enumerate(blocks):
        yield from _negative((*path, at, "price_per_kwh"), block.price_per_kwh, negative)
        if block.upto_kwh is None and at < len(blocks) - 1:
            yield Finding((*path, at), "no upto_kwh", "upto_kwh in every block but the last",
                          "it takes all that is left")  # fmt: skip
    for at, (block, following) in enumerate(pairwise(blocks)):
        if block.upto_kwh is not None and following.upto_kwh is not None and following.upto_kwh <= block.upto_kwh:
            yield Finding((*path, at + 1, "upto_kwh"), f"{following.upto_kwh}",
                          f"more than {block.upto_kwh}, the bound of the block before")  # fmt: skip
    if blocks[-1].upto_kwh is not None:
        yield Finding((*path, len(blocks) - 1, "upto_kwh"), f"{blocks[-1].upto_kwh}", "no bound on the last block",
                      "what is used beyond it must have a price")  # fmt: skip


# -- dynamic prices ---------------------------------------------------------------------------------


def _dynamic(settings: Settings, path: Path, dynamic: Dynamic, negative: bool) -> Iterator[Finding]:
    if (dynamic.signal is None) == (dynamic.file is None):
        found = "no source" if dynamic.signal is None else "signal and file together"
        yield Finding(path, found, "signal, or file", "one of them says the price")
    yield from _negative((*path, "plus_per_kwh"), dynamic.plus_per_kwh, negative)
    if dynamic.signal is not None:
        names = [signal.name for signal in settings.signals]
        if dynamic.signal not in names:
            yield Finding((*path, "signal"), f'"{dynamic.signal}"', "the name of a [[signals]] entry",
                          nearest(dynamic.signal, names))  # fmt: skip
        for signal in settings.signals:
            if signal.name == dynamic.signal and signal.believable > LONGEST_PRICE:
                yield Finding((*path, "signal"), f'"{signal.name}"', f"its last word is taken as the price for "
                              f"{duration_text(signal.believable)}, if no other comes",
                              'believable = "2h" there suits a price by the hour', "warning")  # fmt: skip
        if dynamic.hold is not None:
            yield Finding((*path, "hold"), "hold beside signal", "hold beside file only",
                          "how long a signal's word stands is its believable")  # fmt: skip
    if dynamic.file is not None:
        yield from _file((*path, "file"), dynamic, negative)


def _file(path: Path, dynamic: Dynamic, negative: bool) -> Iterator[Finding]:
    try:
        prices = read_prices(FilePath(dynamic.file or ""))
    except BadPrices as bad:
        where = f"line {bad.line} of it: " if bad.line else ""
        yield Finding(path, f"{where}{bad.found}", bad.expected)
        return
    if negative:
        return
    for place, (_, price) in enumerate(prices):
        if price * dynamic.factor + dynamic.plus_per_kwh < 0:
            yield Finding(path, f"a negative price, {price}, its number {place + 1}", "prices of at least 0",
                          NOT_DECLARED)  # fmt: skip
            return
