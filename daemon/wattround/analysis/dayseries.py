"""One load by the local day, with the weather, who was there and signals: what proofs are made of, from the ledger."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from wattround.analysis.proof.data import Floats, LoadHistory
from wattround.analysis.whatif.load import Stretch
from wattround.analysis.whatif.times import empty_times
from wattround.config.model import Settings
from wattround.core.outdoor import temperatures
from wattround.ledger.grid import Reach
from wattround.ledger.past import Past
from wattround.ledger.tally import Kept
from wattround.metering.localtime import instant_ms
from wattround.metering.minute import MINUTE_MS
from wattround.metering.outdoor import daily, heard_hours

DAY = timedelta(days=1)
LEAST_KNOWN = 0.75
"""Of a day on which it is said how long somebody was there."""
YES, NO = ("on", "true", "yes", "open", "1"), ("off", "false", "no", "closed", "0")


def load_history(
    past: Past, kept: Kept, settings: Settings, loads: Sequence[str], days: Sequence[date], signals: Sequence[str] = ()
) -> LoadHistory:
    """These days of a load, or of several together; a day is covered as far as the least covered of them."""
    zone = ZoneInfo(settings.house.time_zone)
    edges = [instant_ms(day, 0, zone) // MINUTE_MS for day in [*days, days[-1] + DAY]]
    return LoadHistory(
        days, *_energy(past, kept, loads, edges), _temperatures(past, settings, days, zone),
        _occupancy(past, settings, edges) if settings.people else None,
        {name: _signal(past, settings, name, days, zone) for name in signals},
    )  # fmt: skip


def _energy(past: Past, kept: Kept, loads: Sequence[str], edges: Sequence[int]) -> tuple[Floats, Floats]:
    """Watt-hours of each day, and the share of it that was covered."""
    cells = [(at, begin, end) for at, (begin, end) in enumerate(pairwise(edges))]
    found = past.cells(loads, cells, Reach(kept.minutes_from_hour, kept.newest_hour))
    energy, coverage = np.zeros(len(cells)), np.ones(len(cells))
    for name in loads:
        of = found.get(name, {})
        for at, begin, end in cells:
            sums = of.get(at)
            energy[at] += (sums.in_uwh - sums.out_uwh) / 1e6 if sums is not None else np.nan
            coverage[at] = min(coverage[at], sums.covered_ms / ((end - begin) * MINUTE_MS) if sums is not None else 0.0)
    return energy, coverage


def _temperatures(past: Past, settings: Settings, days: Sequence[date], zone: ZoneInfo) -> Floats | None:
    """Outdoor daily means, NaN where unknown; None if nothing was ever heard."""
    known = temperatures(days, settings, zone, past.words)
    return np.array([known.get(day, np.nan) for day in days]) if known else None


def _signal(past: Past, settings: Settings, name: str, days: Sequence[date], zone: ZoneInfo) -> Floats:
    """Daily mean of a signal's numbers, or the share of the day that it said yes."""
    believable_ms = next(signal.believable for signal in settings.signals if signal.name == name)
    from_ms, to_ms = instant_ms(days[0], 0, zone) - believable_ms, instant_ms(days[-1] + DAY, 0, zone)
    heard = past.words([("signal", name)], from_ms, to_ms)
    hours = heard_hours([(at_ms, value) for at_ms, _, _, value in heard], _number, believable_ms)
    known = daily(hours, {}, days, zone)
    return np.array([known.get(day, np.nan) for day in days])


def _number(said: str) -> float | None:
    if said.lower() in YES or said.lower() in NO:
        return float(said.lower() in YES)
    try:
        found = float(said)
    except ValueError:
        return None
    return found if np.isfinite(found) else None


def _occupancy(past: Past, settings: Settings, edges: Sequence[int]) -> Floats:
    """The share of each day that somebody was there; NaN where that is not known well enough."""
    away = empty_times(past, settings, edges[0] * MINUTE_MS, edges[-1] * MINUTE_MS)
    lengths = np.diff(edges)
    empty, unknown = (_minutes(each, edges) for each in (away.stretches, away.unknown))
    known = lengths - unknown
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(known >= LEAST_KNOWN * lengths, 1 - empty / known, np.nan)


def _minutes(stretches: Iterable[Stretch], edges: Sequence[int]) -> Floats:
    """How many minutes of each day lie in the stretches."""
    passed = np.zeros(len(edges))
    for begin, end in stretches:
        passed += np.clip(np.array(edges), begin, end) - begin
    return np.diff(passed)
