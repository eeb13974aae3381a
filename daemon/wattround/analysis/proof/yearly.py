"""Avoided energy of a year with the household's usual weather.

The typical year is made of the household's own days: each day of the calendar is stood for by all days with a known
temperature within a week of it, in any year, with equal weight. Nothing is averaged before it goes through a model (the
degree days of a mean temperature are not the mean of degree days). Both periods' models, each with coefficients of its
own period, are carried through it; that asks that both have seen nearly all of the year's temperatures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from wattround.analysis.proof.data import Floats, Frame, Mask, ProofError
from wattround.analysis.proof.estimate import Comparison, mixed
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.noise import solver
from wattround.analysis.proof.periods import REACH_K, Need
from wattround.analysis.proof.terms import design

YEAR_DAYS = 365
NEAR_DAYS = 7
LEAST_KNOWN_DAYS = 350
LEAST_SEEN = 0.9
"""Share of a typical year's days whose temperature must have been seen in a period."""


@dataclass(frozen=True)
class TypicalYear:
    """Temperatures and the days of a year for which each stands; `known_days` of 365 have any."""

    temperature_c: Floats
    days: Floats
    known_days: int


def typical_year(days: Sequence[date], temperature_c: Floats) -> TypicalYear:
    """From all days whose temperature is known (NaN: not), of any years. Raises ProofError where the arrays differ."""
    if len(days) != len(temperature_c):
        raise ProofError(f"{len(temperature_c)} temperatures for {len(days)} days; expected one for each day")
    known = ~np.isnan(temperature_c)
    of_year = np.array([min(day.timetuple().tm_yday, YEAR_DAYS) - 1 for day in days], dtype=int)[known]
    weight = np.zeros(len(of_year))
    known_days = 0
    for at in range(YEAR_DAYS):
        apart = np.abs(of_year - at)
        near = np.minimum(apart, YEAR_DAYS - apart) <= NEAR_DAYS
        if near.any():
            known_days += 1
            weight[near] += 1 / near.sum()
    return TypicalYear(np.asarray(temperature_c, dtype=float)[known], weight, known_days)


def avoided_in_year(compared: Comparison, year: TypicalYear | None, level: float) -> Estimate | Need:
    """Wh a year, or why it cannot be told."""
    frame, after = compared.frame, compared.after
    refused = _refusal(frame, after, year)
    if refused is not None or year is None:
        return refused or Need("no outdoor temperature is known", None)
    share = year.days / year.days.sum()
    further = _usual(frame, after)
    usual = Frame(
        np.resize(np.arange(1.0, 8.0), len(share)), np.zeros(len(share)), year.temperature_c,
        np.broadcast_to(further, (len(share), len(further))), frame.names,
    )  # fmt: skip
    contrasts = np.zeros((len(frame), len(compared.found.specs)))
    for at, spec in enumerate(compared.found.specs):
        columns = design(spec, frame, compared.centres)
        wanted = share @ design(spec, usual, compared.centres)
        wanted[1 : _weekday_columns(spec.day_classes)] = 0.0
        contrasts[~after, at] = wanted @ solver(columns[~after])
        contrasts[after, at] = -wanted @ solver(columns[after])
    return mixed(contrasts, frame, compared.noise, compared.found.weights).estimate(level, YEAR_DAYS)


def _usual(frame: Frame, after: Mask) -> Floats:
    """Further regressors of the year, for both models: as they were on all days.

    But where one never changed after the change (nobody went away), nothing is known of other values there: then as it
    was. Baselines have them all, or they would not be regressors.
    """
    since = frame.further[after]
    never_changed = np.ptp(since, axis=0) <= 1e-9 * np.maximum(1.0, np.abs(since).max(axis=0))
    made: Floats = np.where(never_changed, since.mean(axis=0), frame.further.mean(axis=0))
    return made


def _weekday_columns(classes: str) -> int:
    """Columns up to here are the intercept and contrasts, whose mean over a year is 0."""
    return {"all alike": 1, "workday and weekend": 2, "each weekday": 7}[classes]


def _refusal(frame: Frame, after: Mask, year: TypicalYear | None) -> Need | None:
    if frame.temperature_c is None or year is None:
        return Need("no outdoor temperature is known, so nothing is known of the rest of the year", None)
    if year.known_days < LEAST_KNOWN_DAYS:
        told = f"outdoor temperatures are known for only {year.known_days} days of the year"
        return Need(f"{told}; expected {LEAST_KNOWN_DAYS}", LEAST_KNOWN_DAYS - year.known_days)
    for name, chosen in (("before", ~after), ("after", after)):
        seen = frame.temperature_c[chosen]
        inside = (year.temperature_c >= seen.min() - REACH_K) & (year.temperature_c <= seen.max() + REACH_K)
        share = float(year.days[inside].sum() / year.days.sum())
        if share < LEAST_SEEN:
            cold = float(year.days[year.temperature_c < seen.min() - REACH_K].sum())
            warm = float(year.days[year.temperature_c > seen.max() + REACH_K].sum())
            told = (
                f"the days {name} the change lie between {seen.min():.0f} and {seen.max():.0f} degrees; "
                f"{max(cold, warm):.0f} days of a usual year are {'colder' if cold > warm else 'warmer'}, "
                "and nothing is known of those"
            )
            return Need(told, None)
    return None
