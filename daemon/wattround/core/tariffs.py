"""From settings to prices: the schedule of tariffs, and the prices that files say."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal, InvalidOperation
from pathlib import Path
from zoneinfo import ZoneInfo

from wattround.config import tariff as written
from wattround.config.kinds import WEEKDAYS
from wattround.config.model import Settings
from wattround.config.part import HOUR_MS
from wattround.config.pricefile import BadPrices, read_prices
from wattround.money.amount import NOTHING
from wattround.money.bands import Band, Bands
from wattround.money.billing import Billing
from wattround.money.price import Block, Blocks, Dynamic, Flat, Pricing, Series, Source
from wattround.money.schedule import Schedule, Tariff

FILE_HOLD_MS = HOUR_MS
"""How long a price of a file stands where no later one follows, if the settings do not say."""


def schedule_of(settings: Settings) -> Schedule:
    """What is paid and when; prices that change by themselves are not known yet, see `holds` and `file_series`."""
    house = settings.house
    if house.price_per_kwh is not None:
        tariffs: tuple[Tariff, ...] = (Tariff("", None, Flat(house.price_per_kwh)),)
    else:
        tariffs = tuple(_tariff(each) for each in settings.tariffs)
    stated = settings.billing
    billing = Billing(stated.first_day, stated.months, stated.first_month)
    return Schedule(tariffs, ZoneInfo(house.time_zone), house.currency, billing)


def _tariff(stated: written.Tariff) -> Tariff:
    # who says nothing of export credit gets none: what is given back is worth nothing then
    export = Flat(NOTHING) if stated.export is None else _pricing(stated.export, stated)
    return Tariff(
        stated.title, stated.from_, _pricing(stated, stated), export,
        stated.standing_per_day, stated.standing_per_month, stated.tax_percent,
    )  # fmt: skip


def _pricing(energy: written.Energy, tariff: written.Tariff) -> Pricing:
    if energy.bands is not None:
        return Bands(tuple(_band(band) for band in energy.bands), frozenset(tariff.holidays))
    if energy.blocks is not None:
        return Blocks(tuple(_block(block) for block in energy.blocks))
    if energy.dynamic is not None:
        stated = energy.dynamic
        source = Source("signal", stated.signal) if stated.signal is not None else Source("file", stated.file or "")
        return Dynamic(source, stated.factor, stated.plus_per_kwh, tariff.negative_prices)
    return Flat(energy.price_per_kwh if energy.price_per_kwh is not None else NOTHING)


def _band(band: written.Band) -> Band:
    days = frozenset(WEEKDAYS.index(day) for day in band.weekdays) if band.weekdays is not None else None
    return Band(band.name, band.price_per_kwh, *band.minutes, days, band.season, band.holidays)


def _block(block: written.Block) -> Block:
    return Block(None if block.upto_kwh is None else int(block.upto_kwh * 1_000_000_000), block.price_per_kwh)


def holds(settings: Settings) -> dict[Source, int]:
    """How long a price of each source stands where no later one follows, in milliseconds."""
    believable = {signal.name: signal.believable for signal in settings.signals}
    found: dict[Source, int] = {}
    for tariff in settings.tariffs:
        for energy in (tariff, tariff.export):
            stated = energy.dynamic if energy is not None else None
            if stated is not None and stated.signal is not None:
                found[Source("signal", stated.signal)] = believable.get(stated.signal, 0)
            elif stated is not None and stated.file is not None:
                found[Source("file", stated.file)] = stated.hold or FILE_HOLD_MS
    return found


def signal_series(words: Iterable[tuple[int, str]], hold_ms: int) -> Series:
    """Prices as a signal said them, in order of time; a word that is no number is no price."""
    said = list(dict(words).items())
    return Series(tuple(at_ms for at_ms, _ in said), tuple(_number(word) for _, word in said), hold_ms)


def _number(word: str) -> Decimal | None:
    try:
        number = Decimal(word)
    except InvalidOperation:
        return None
    return number if number.is_finite() and abs(number) <= 1_000_000 else None


class PriceFiles:
    """Files of prices, read when they have changed. One that has become unreadable keeps the prices it had."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[tuple[int, int], Series]] = {}

    def series(self, file: str, hold_ms: int) -> Series:
        """Prices of a file."""
        try:
            found = Path(file).stat()
            mark = (found.st_mtime_ns, found.st_size)
        except OSError:
            mark = (0, 0)
        known = self._known.get(file)
        if known is None or known[0] != mark:
            known = (mark, self._read(file, hold_ms) or (known[1] if known else Series((), (), hold_ms)))
            self._known[file] = known
        return known[1]

    @staticmethod
    def _read(file: str, hold_ms: int) -> Series | None:
        try:
            prices = read_prices(Path(file))
        except BadPrices as bad:
            import structlog  # noqa: PLC0415 - commands would wait for it, and seldom need it

            log = structlog.get_logger("prices")
            log.error("a file of prices cannot be used, what was known of it stays", file=file, trouble=str(bad))
            return None
        return Series(tuple(at_ms for at_ms, _ in prices), tuple(price for _, price in prices), hold_ms)


Said = Callable[[str, int, int], Iterable[tuple[int, str]]]
"""Words of a signal in a stretch of time, in order: when, what."""


def with_prices(
    schedule: Schedule, hold_ms: Mapping[Source, int], files: PriceFiles, said: Said, from_ms: int, to_ms: int
) -> Schedule:
    """The schedule with the prices that signals and files say for [from_ms, to_ms)."""
    found = {
        source: files.series(source.name, hold)
        if source.kind == "file"
        else signal_series(said(source.name, from_ms - hold, to_ms), hold)
        for source, hold in hold_ms.items()
    }
    return schedule.with_series(found) if found else schedule
