"""How long a change that stays must be watched until it is seen: power from a load's scatter and autocorrelation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from wattround.analysis.proof.data import LEAST_COVERAGE, LoadHistory, Note, ProofError, usable
from wattround.analysis.proof.estimate import Comparison, noise_around
from wattround.analysis.proof.mixture import Mixture, smallest_seen
from wattround.analysis.proof.noise import Noise, independent
from wattround.analysis.proof.periods import LEAST_AFTER, LEAST_BEFORE, LONGEST_BASELINE_DAYS, explaining
from wattround.analysis.proof.search import search
from wattround.analysis.proof.terms import design

MOST_DAYS = 730
TOLD_DAYS = (14, 28, 56, 91, 182, 365)

Way = Literal["before and after", "alternating by day", "alternating by week"]


@dataclass(frozen=True)
class Outlook:
    """One way of trying: days until the effect is seen (None: not within MOST_DAYS), and what is seen by then."""

    way: Way
    days: int | None
    smallest_wh: tuple[tuple[int, float], ...]
    """Days, and the smallest effect a day that is seen after them with a probability of 80 %."""


@dataclass(frozen=True)
class Plan:
    """Of a change that stays, for an effect of so many Wh a day, if days to come are like those of the history."""

    effect_wh: float
    level: float
    history_days: int
    usual_wh: float
    outlook: Outlook
    notes: tuple[Note, ...]


def plan(history: LoadHistory, effect_wh: float, *, level: float = 0.9, least_coverage: float = LEAST_COVERAGE) -> Plan:
    """From a load's history before the change. Raises ProofError where it is too short, or the effect not above 0."""
    if not effect_wh > 0:
        raise ProofError(f"an effect of {effect_wh:g} Wh a day; expected a figure above 0")
    found = usable(history, least_coverage)
    recent = found.frame.take(found.frame.ordinal > found.frame.ordinal.max(initial=0.0) - LONGEST_BASELINE_DAYS)
    if len(recent) < LEAST_BEFORE:
        raise ProofError(f"{len(recent)} usable days of history; at least {LEAST_BEFORE} are needed to plan with")
    frame, notes = explaining(recent, np.ones(len(recent), dtype=bool))
    centres = frame.further.mean(axis=0)
    noise = noise_around(independent(design(search(frame, centres).chosen, frame, centres)), frame)
    noise = noise_around(independent(design(search(frame, centres, noise).chosen, frame, centres)), frame)
    told = tuple((days, _smallest(noise, days, level)) for days in TOLD_DAYS)
    outlook = Outlook("before and after", _days_for(noise, effect_wh, level), told)
    return Plan(effect_wh, level, len(frame), float(frame.energy_wh.mean()), outlook, (*found.notes, *notes))


def more_days(compared: Comparison, effect_wh: float, level: float) -> int | None:
    """How many reporting days more would show an effect; None where no number of them within MOST_DAYS would."""
    noise = compared.noise.of_days(compared.before)
    wanted = _days_for(noise, effect_wh, level)
    return None if wanted is None else max(wanted - int(compared.after.sum()), 1)


def _days_for(noise: Noise, effect_wh: float, level: float) -> int | None:
    """By halving: what is seen gets no larger with more days."""
    if _smallest(noise, MOST_DAYS, level) > effect_wh:
        return None
    low, high = LEAST_AFTER - 1, MOST_DAYS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _smallest(noise, middle, level) <= effect_wh else (middle, high)
    return high


def _smallest(noise: Noise, days: int, level: float) -> float:
    """Means of all days so far and of the days to come, after one for the change itself."""
    had = len(noise.ordinal)
    ordinal = np.concatenate([noise.ordinal, noise.ordinal[-1] + 2 + np.arange(days)])
    contrast = np.concatenate([np.full(had, 1 / had), np.full(days, -1 / days)])
    usual = np.full(days, float(np.sqrt(np.mean(noise.scatter**2))))
    coming = Noise(ordinal, noise.growth, np.concatenate([noise.scatter, usual]), noise.weight, noise.sigma2, noise.df)
    width = np.sqrt(coming.variances(contrast[:, None])[:, :, 0])
    low, high = Mixture.of(np.zeros_like(width), width, noise.weight, noise.df).interval(level)
    return smallest_seen((high - low) / 2, level)
