"""What is worth doing first: every change that a load's history suggests, by what it would save in a year.

By the hour, at marginal prices, so that a year of a whole house is added up inside SQLite; one change by itself
(`answer`) goes by the minute, and bills again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from wattround.analysis.behaviour import CYCLING_STRETCHES, LEAST_STRETCHES
from wattround.analysis.naming import LOADS
from wattround.analysis.whatif.cautions import AS_IF_BOUGHT
from wattround.analysis.whatif.cheapest import Cheapest, cheapest
from wattround.analysis.whatif.home import HOUR_MS, Home
from wattround.analysis.whatif.load import Stretch
from wattround.analysis.whatif.margins import hour_prices, targets
from wattround.analysis.whatif.slow import EXPONENTS
from wattround.analysis.whatif.times import Away, day_numbers, empty_times, local_days, shares, windows
from wattround.analysis.whatif.yearly import Part, Unit, Year, year
from wattround.config.kinds import WEEKDAYS
from wattround.core.rulebook import day_time
from wattround.ledger.slices import Amount, DayOf, Worth
from wattround.rules.marks import ByWeekday, Edges

PUMP = "pump"
PUMP_PERCENT = 80
KEPT_ON = ("refrigeration", "medical", "safety")
"""Tags of loads for which nothing is suggested."""
LEAST_A_YEAR = 0.01
NOBODY = Away((), (), 0.0)


class Suggestion(NamedTuple):
    """One change of one load; `option` are the command's words for it."""

    load: str
    title: str
    option: str
    money: Year
    uwh: Year


class Ranking(NamedTuple):
    """All of them, those that save most first, over [from_ms, to_ms); and loads left out, by the reason."""

    home: Home
    from_ms: int
    to_ms: int
    suggestions: Sequence[Suggestion]
    left_out: Mapping[str, Sequence[str]]
    notes: Sequence[str]

    @property
    def seen(self) -> tuple[Unit, int]:
        """From how many weeks, or days, the best known of them is."""
        best = max(self.suggestions, key=lambda each: (each.money.unit == "week", each.money.seen), default=None)
        return ("", 0) if best is None else (best.money.unit, best.money.seen)


class _Times(NamedTuple):
    """Times that suggestions speak of; empty, or None, where the house has none."""

    night: Sequence[Stretch]
    away: Away
    cheap: Cheapest | None
    inside: Sequence[Stretch]


def ranking(home: Home, from_ms: int, to_ms: int) -> Ranking:
    """What each load's hours in [from_ms, to_ms) suggest."""
    hours = range(-(-from_ms // HOUR_MS), to_ms // HOUR_MS)
    kept = home.slices.hour_span()
    until_ms = to_ms if kept is None else max(to_ms, kept[1] * HOUR_MS)
    period = home.purse.schedule(from_ms, to_ms).period_of(from_ms)
    schedule = home.purse.schedule(period.from_ms, to_ms)
    times = _times(home, from_ms, to_ms)
    days = local_days(from_ms, to_ms, home.zone)
    numbers, prices = day_numbers(days, hours), hour_prices(home, schedule, hours, until_ms)
    where = targets(schedule, times.inside, hours)
    parts = (shares(stretches, hours) for stretches in (times.inside, times.night, times.away.stretches))
    worths = map(Worth._make, zip(hours, numbers, prices, where, *parts, strict=True))
    loads = [name for name in home.single_loads if not set(KEPT_ON).intersection(home.meters[name].tags)]
    limits = {name: home.bounds(name) for name in loads}
    moving = home.slices.self_moving(limits, hours.start, hours.stop, LEAST_STRETCHES, CYCLING_STRETCHES)
    bounds = {name: each for name, each in limits.items() if name not in moving or _is_pump(home, name)}
    by_day = home.slices.by_day(bounds, worths)
    lengths = [day.length_ms for day in days]
    found = [
        each
        for name, own in by_day.items()
        for each in _suggestions(home, name, own, lengths, times, by_itself=name in moving)
    ]
    found.sort(key=lambda each: (-(each.money.mean or 0.0), each.load, each.option))
    return Ranking(home, from_ms, to_ms, found, _left_out(home, moving), list(_notes(home, times)))


def _is_pump(home: Home, name: str) -> bool:
    return PUMP in home.meters[name].tags


def _times(home: Home, from_ms: int, to_ms: int) -> _Times:
    settings, zone = home.settings, home.zone
    night: tuple[Stretch, ...] = ()
    if {"bedtime", "rising"} <= settings.marks.keys():
        night = windows(Edges(day_time("bedtime", settings), day_time("rising", settings)), from_ms, to_ms, zone)
    away = empty_times(home.slices, settings, from_ms, to_ms) if settings.people else NOBODY
    cheap = cheapest(home.purse.schedule(from_ms, to_ms), to_ms)
    inside: tuple[Stretch, ...] = ()
    if cheap is not None:
        begins, ends = (ByWeekday((edge,) * len(WEEKDAYS)) for edge in cheap)
        inside = windows(Edges(begins, ends), from_ms, to_ms, zone)
    return _Times(night, away, cheap, inside)


def _left_out(home: Home, moving: Collection[str]) -> dict[str, list[str]]:
    """Loads for which nothing, or not all, is suggested."""
    loads = home.single_loads
    reasons = {
        f"they are tagged {' or '.join(KEPT_ON)}": [
            name for name in loads if set(KEPT_ON).intersection(home.meters[name].tags)
        ],
        "they go on and off by themselves day and night, as refrigeration does": sorted(moving),
        "others are within them, and are looked at instead": [
            name for name, meter in home.meters.items() if meter.role in LOADS and home.tree.children[name]
        ],
    }
    return {reason: names for reason, names in reasons.items() if names}


# -- what a load's days suggest -------------------------------------------------------------------


def _suggestions(
    home: Home, name: str, days: Sequence[DayOf], lengths: Sequence[int], times: _Times, *, by_itself: bool
) -> Iterator[Suggestion]:
    """Those that save something; of a load that goes by itself, only what leaves it on."""
    meter = home.meters[name]
    kinds: list[tuple[str, str, Callable[[DayOf], Amount]]] = []
    if meter.active_w is not None and not by_itself:
        kinds.append(("no standby", "--no-standby", lambda day: day.idle))
    if times.night and not by_itself:
        kinds.append(("off from bedtime to rising", "--off bedtime-rising", lambda day: day.night))
    if times.away.stretches and not by_itself:
        kinds.append(("off while nobody is home", "--off-when-empty", lambda day: day.away))
    if times.cheap is not None and not by_itself:
        fits = _fits(days)
        title = f"its use moved to {times.cheap.words}"
        kinds.append((title, f"--move-to {times.cheap.words}", lambda day: _scaled(day.moving, fits)))
    for title, option, amount in kinds:
        parts = [(day, amount(day)) for day in days]
        energy = 0.0 if option.startswith("--move-to") else 1.0
        yield from _worth_it(name, title, option, *_years(parts, lengths, energy))
    if _is_pump(home, name):
        yield from _pump(name, days, lengths)


def _worth_it(name: str, title: str, option: str, money: Year, uwh: Year) -> Iterator[Suggestion]:
    if money.mean is not None and money.mean >= LEAST_A_YEAR:
        yield Suggestion(name, title, option, money, uwh)


def _years(parts: Iterable[tuple[DayOf, Amount]], lengths: Sequence[int], energy: float = 1.0) -> tuple[Year, Year]:
    money = [Part(0.0, 0, length) for length in lengths]
    uwh = list(money)
    for day, amount in parts:
        money[day.day] = Part(amount.money, day.covered_ms, lengths[day.day])
        uwh[day.day] = Part((amount.uwh + amount.unpriced_uwh) * energy, day.covered_ms, lengths[day.day])
    return year(money), year(uwh)


def _fits(days: Sequence[DayOf]) -> float:
    """How much of the use outside finds room inside, where the load was not in use anyway."""
    moving, room = sum(day.moving_ms for day in days), sum(day.room_ms for day in days)
    return min(1.0, room / moving) if moving else 0.0


def _scaled(amount: Amount, by: float) -> Amount:
    return Amount(*(each * by for each in amount))


def _pump(name: str, days: Sequence[DayOf], lengths: Sequence[int]) -> Iterator[Suggestion]:
    """The same volume at a lower speed: the mean without a static head, the least with one."""
    ratio = PUMP_PERCENT / 100
    least, most = (
        _years([(day, _scaled(day.used, 1 - ratio ** (exponent - 1))) for day in days], lengths)
        for exponent in sorted(EXPONENTS.values())
    )
    money, uwh = (mine._replace(least=low.least) for mine, low in zip(most, least, strict=True))
    title = f"slowed to {PUMP_PERCENT} %, same volume"
    yield from _worth_it(name, title, f"--speed-to {PUMP_PERCENT}%", money, uwh)


def _notes(home: Home, times: _Times) -> Iterator[str]:
    """What could not be suggested for want of something, and what is not in the money."""
    if home.is_as_if_bought:
        yield AS_IF_BOUGHT
    if not times.night:
        yield "without the marks bedtime and rising nothing is said of nights"
    if times.away.stretches:
        yield from times.away.notes()
    else:
        yield "when the house was empty is not known: nothing is said of it"
    without = [name for name in home.single_loads if home.meters[name].active_w is None]
    if without:
        yield f"without active_w no standby can be told: {', '.join(without)}; wattround levels proposes some"
