"""What the listed loads come to: energy and money by their hours, and how much of a circuit that explains."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from itertools import pairwise
from math import hypot, sqrt
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.core.inventory import Load
from wattround.money.schedule import Schedule

DAYS_A_YEAR = 365.25
QUARTER_MS = 900_000
COVERAGE_FACTOR = 2.0
"""For a level of confidence of some 95 % (JCGM 100:2008, G.6.6)."""
SHARES = {"measured": 0.05, "plate": 0.3, "guess": 0.5}
"""How far watts may be off whose uncertainty nobody stated: as much of them (common practice, no source)."""
HOURS_SHARE = 0.5
"""How far one figure of hours a day may be off (common practice, no source); 0 and 24 are exact."""
DAY_H = 24.0


class Use(NamedTuple):
    """Energy of one day in the mean, in watt-hours, while in use and while in standby; its standard uncertainty."""

    running_wh: float
    standby_wh: float
    u_wh: float
    hours: float

    @property
    def wh(self) -> float:
        """Both."""
        return self.running_wh + self.standby_wh


class Amount(NamedTuple):
    """A figure and its standard uncertainty."""

    value: float
    u: float

    @property
    def low(self) -> float:
        """Where the interval of some 95 % begins; nothing draws less than nothing."""
        return max(0.0, self.value - COVERAGE_FACTOR * self.u)

    @property
    def high(self) -> float:
        """Where it ends."""
        return self.value + COVERAGE_FACTOR * self.u


def use_of(load: Load, accuracy_percent: float = 0.0) -> Use | None:
    """What a load takes in a day; None where its watts or hours are not known. A standby nobody knows is none.

    E = P h + S (24 - h), and by the law of propagation (JCGM 100:2008, 5.1.2) u(E)^2 = h^2 u(P)^2 + (24 - h)^2 u(S)^2
    + (P - S)^2 u(h)^2. A stated uncertainty is half an interval of some 95 %: u is half of it. Of limits (hours from
    one figure to another, `accuracy_percent` of the meter that measured it) u = limit / sqrt(3) (4.3.7).
    """
    if load.on_w is None or load.hours_low is None or load.hours_high is None:
        return None
    on_w, standby_w = float(load.on_w), float(load.standby_w or 0)
    hours, u_hours = _hours(float(load.hours_low), float(load.hours_high))
    u_on = hypot(_u_w(load, on_w, load.on_uncertainty_w), accuracy_percent / 100 * on_w / sqrt(3))
    u_standby = _u_w(load, standby_w, load.standby_uncertainty_w) if load.standby_w is not None else 0.0
    rest = DAY_H - hours
    u_wh = sqrt((hours * u_on) ** 2 + (rest * u_standby) ** 2 + ((on_w - standby_w) * u_hours) ** 2)
    return Use(on_w * hours, standby_w * rest, u_wh, hours)


def _hours(low: float, high: float) -> tuple[float, float]:
    middle = (low + high) / 2
    reach = (high - low) / 2 if high > low else HOURS_SHARE * min(middle, DAY_H - middle)
    return middle, reach / sqrt(3)


def _u_w(load: Load, watts: float, stated: Decimal | None) -> float:
    if stated is not None:
        return float(stated) / COVERAGE_FACTOR
    return SHARES[load.how or "guess"] * watts / sqrt(3)


def accuracy(load: Load, percents: Mapping[str, float]) -> float:
    """The limit of error of the meter that measured a load in a round, in per cent."""
    return percents.get(load.circuit or "", 0.0) if load.measured is not None else 0.0


def total(uses: Iterable[Use]) -> Amount:
    """Watt-hours a day of several, each wrong by itself."""
    found = list(uses)
    return Amount(sum(each.wh for each in found), sqrt(sum(each.u_wh**2 for each in found)))


def kwh_a_year(use: Use) -> Amount:
    """The same of one load in a year, in kilowatt-hours."""
    return Amount(use.wh * DAYS_A_YEAR / 1000, use.u_wh * DAYS_A_YEAR / 1000)


# -- money ------------------------------------------------------------------------------------------


class Prices(NamedTuple):
    """What a kilowatt-hour costs in the mean in each hour of the clock."""

    by_hour: Sequence[float]

    @property
    def mean(self) -> float:
        """At any time."""
        return sum(self.by_hour) / len(self.by_hour)

    def u(self, hours: float) -> float:
        """Standard uncertainty of the price of so many hours a day of which nobody said when they are.

        Between the cheapest and the dearest so many hours, all alike likely.
        """
        cheap, dear = (_first(sorted(self.by_hour, reverse=reverse), hours) for reverse in (False, True))
        return (dear - cheap) / 2 / sqrt(3)


def _first(prices: Sequence[float], hours: float) -> float:
    """The mean of the first so many hours, the last one in part."""
    if hours <= 0:
        return sum(prices) / len(prices)
    parts = [min(1.0, max(0.0, hours - at)) for at in range(len(prices))]
    return sum(price * part for price, part in zip(prices, parts, strict=True)) / sum(parts)


def prices_of(schedule: Schedule, from_ms: int, to_ms: int, mean: Decimal | None) -> Prices | None:
    """Prices by the clock of a stretch of time, tax included; `mean` where they go by how much is bought (blocks).

    None where no price is known. Hours of the clock without one have the mean of the others.
    """
    sums, spans = [0.0] * 24, [0] * 24
    for span in schedule.spans(from_ms, to_ms):
        per_kwh = span.import_per_kwh
        if per_kwh is None and span.rate.blocks:
            per_kwh = mean
        if per_kwh is None:
            continue
        for hour, length in _by_clock(span.from_ms, span.to_ms, schedule.zone):
            sums[hour] += float(per_kwh) * length
            spans[hour] += length
    if not any(spans):
        return None
    usual = sum(sums) / sum(spans)
    return Prices([sums[hour] / spans[hour] if spans[hour] else usual for hour in range(24)])


def _by_clock(from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterable[tuple[int, int]]:
    edges = range(from_ms // QUARTER_MS * QUARTER_MS + QUARTER_MS, to_ms, QUARTER_MS)
    for begin, end in pairwise([from_ms, *edges, to_ms]):
        yield datetime.fromtimestamp(begin / 1000, UTC).astimezone(zone).hour, end - begin


def money_a_year(use: Use, prices: Prices) -> Amount:
    """What a load costs in a year, all of it bought."""
    scale = DAYS_A_YEAR / 1000
    u = hypot(use.u_wh * prices.mean, use.running_wh * prices.u(use.hours))
    return Amount(use.wh * prices.mean * scale, u * scale)


# -- what it explains -------------------------------------------------------------------------------


class Explained(NamedTuple):
    """Of a circuit: what was not metered within it, and the listed loads of it, in Wh a day; `minutes` were looked at.

    `missing`: loads on it of which watts or hours are not known. Shares are None where nothing was used.
    """

    circuit: str
    used_wh: float
    minutes: int
    listed: Amount
    loads: int
    missing: tuple[str, ...]

    @property
    def share(self) -> Amount | None:
        """The listed part of what was used."""
        if self.used_wh < LEAST_WH:
            return None
        return Amount(self.listed.value / self.used_wh, self.listed.u / self.used_wh)


LEAST_WH = 1.0


def explained(circuit: str, loads: Sequence[Load], net_uwh: int, minutes: int, percent: float) -> Explained:
    """How much of a circuit its listed loads are.

    What the same meter measured, it measured with the same error, which cancels; with the others its limit counts.
    """
    uses = {load.name: use_of(load) for load in loads}
    known = {name: use for name, use in uses.items() if use is not None}
    listed = total(known.values())
    foreign = sum(known[load.name].wh for load in loads if load.name in known and load.measured is None)
    u = hypot(listed.u, percent / 100 * foreign / sqrt(3))
    missing = tuple(name for name, use in uses.items() if use is None)
    return Explained(circuit, net_uwh / 1e6 / minutes * 1440, minutes, Amount(listed.value, u), len(known), missing)
