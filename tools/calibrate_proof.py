"""How true are the proofs? Thousands of simulated households, each with a change whose effect is known.

What the intervals cover, what is claimed where nothing was saved, how often there is too little data; the same for
trials and for the wear-off rule.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta

import numpy as np

from simulated.loads import (
    KINDS,
    LOADS,
    Effect,
    Habits,
    Household,
    Kind,
    covered,
    effect_of,
    holidays,
    household,
    weekdays,
)
from simulated.weather import weather_c
from wattround.analysis.proof.alternating import draw, judge
from wattround.analysis.proof.answer import Evidence
from wattround.analysis.proof.data import LoadHistory, ProofError
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.prove import prove
from wattround.analysis.proof.wearoff import Watch, watch
from wattround.analysis.proof.yearly import YEAR_DAYS, typical_year
from wattround.rules.drift import DriftState, follow, presence

WATCHED_DAYS = 365


Answers = dict[str, bool]
"""What came of one household, by what was asked of it; questions that do not apply are left out."""
Job = tuple[int, Kind, int]
"""Seed, kind of load, number of the household."""

TOO_LITTLE = "too little data"
INTERVAL = "90 % interval holds"
FORMULA = "G14's formula holds"
CLAIMED = "claimed, of none"
FOUND = "claimed, of some"
YEARLY = "yearly interval holds"
SECOND = "regression's holds"
BY_TEST = "refused, of none"
FALSE_ALARM = "false alarm in a year"
NOTICED = "loss noticed in a year"
UNPROVEN = "nothing to watch"


def history_of(home: Household, upto: int) -> LoadHistory:
    """Its first days."""
    part = slice(0, upto)
    occupancy = None if home.occupancy is None else home.occupancy[part]
    return LoadHistory(home.days[part], home.energy_wh[part], home.coverage[part], home.temperature_c[part], occupancy)


def compared(job: Job) -> Answers:
    """A household before and after its change."""
    seed, kind, at = job
    home = household(np.random.default_rng([seed, KINDS.index(kind), at]), kind)
    proof = prove(history_of(home, len(home.days)), home.change, weather=home.known_c)
    if proof.verdict == "too little data" or proof.evidence is None:
        return {TOO_LITTLE: True}
    evidence, found = proof.evidence, proof.evidence.avoided_wh_per_day
    true_wh = true_mean(home, evidence)
    by_formula_wh = evidence.fractional_savings_uncertainty * abs(found.value)
    answers = {TOO_LITTLE: False, INTERVAL: holds(found, true_wh)}
    answers[FORMULA] = bool(abs(found.value - true_wh) <= by_formula_wh)
    answers |= claims(proof.verdict != "no detectable change", home.effect)
    if isinstance(evidence.yearly_wh, Estimate):
        answers[YEARLY] = holds(evidence.yearly_wh, true_year(home))
    return answers


def claims(claimed: bool, effect: Effect) -> Answers:
    return {CLAIMED if effect.none else FOUND: claimed}


def holds(estimate: Estimate, truth: float) -> bool:
    return estimate.low <= truth <= estimate.high


def true_mean(home: Household, evidence: Evidence) -> float:
    """Wh a day that were truly saved on the days that were compared."""
    each = dict(zip(home.days, home.effect_wh, strict=True))
    series = evidence.series
    return float(np.mean([each[day] for day, after in zip(series.days, series.after, strict=True) if after]))


def true_year(home: Household) -> float:
    """Wh that the change saves in a usual year, with the household away as often as it was."""
    year = typical_year(*home.known_c)
    away = float(np.mean(home.present == 0))
    total = 0.0
    for share, present in ((1 - away, 0.75), (away, 0.0)):
        for weekday in range(7):
            count = len(year.days)
            habits = Habits(np.full(count, float(weekday)), year.temperature_c, np.full(count, present))
            total += share / 7 * float(year.days @ home.effect.of(home.load.usual(habits)) / year.days.sum())
    return YEAR_DAYS * total


def tried(job: Job) -> Answers:
    """A trial, on and off by chance: by the day over weeks, or by the week over months."""
    seed, kind, at = job
    random = np.random.default_rng([seed, KINDS.index(kind), at, 1])
    unit, block = int(random.choice([1, 7])), int(random.choice([2, 4]))
    blocks = int(random.integers(28, 90) if unit == 1 else random.integers(10, 27)) // block
    first = date(2025, 1, 1) + timedelta(days=int(random.integers(365)))
    trial = draw(first, max(blocks, 5), unit_days=unit, block_units=block, seed=at)
    days = [first + timedelta(days=day) for day in range((trial.last - first).days + 1)]
    own_c, present = weather_c(random, first.timetuple().tm_yday, len(days)), holidays(random, len(days))
    energy_wh = LOADS[kind](random).happens(random, Habits(weekdays(days), own_c, present))
    effect = effect_of(random, kind, float(energy_wh.mean()))
    on = np.array([trial.on[trial.unit_of(day) or 0] for day in days])
    effect_wh = np.minimum(effect.of(energy_wh), energy_wh)
    coverage = covered(random, len(days))
    history = LoadHistory(days, energy_wh - effect_wh * on, coverage, own_c, present if random.random() < 0.5 else None)
    try:
        found = judge(history, trial)
    except ProofError:
        return {TOO_LITTLE: True}
    true_wh = float(effect_wh[coverage >= 0.9].mean())
    answers = {TOO_LITTLE: False, INTERVAL: holds(found.saved, true_wh), SECOND: holds(found.regression, true_wh)}
    answers |= claims(found.certain_sign != 0, effect)
    if effect.none:
        answers[BY_TEST] = found.p_value <= 0.1
    return answers


def watched(job: Job) -> Answers:
    """A saving that is proven, and watched for a year: does the rule keep still, and does it speak when it is lost?"""
    seed, kind, at = job
    random = np.random.default_rng([seed, KINDS.index(kind), at, 2])
    home = household(random, kind, watched_days=WATCHED_DAYS, surely_saves=True)
    upto = len(home.days) - WATCHED_DAYS
    proof = prove(history_of(home, upto), home.change)
    found = None if proof.verdict != "saved" or proof.evidence is None else watch(proof.evidence)
    if not isinstance(found, Watch):
        return {UNPROVEN: True}
    return {
        UNPROVEN: False,
        FALSE_ALARM: raised(found, home, upto, lost=0.0),
        NOTICED: raised(found, home, upto, lost=1.0),
    }


def raised(found: Watch, home: Household, begin: int, *, lost: float) -> bool:
    """Whether the rule speaks within the watched year, with this share of the saving lost."""
    state = DriftState()
    for at in range(begin, len(home.days)):
        if home.coverage[at] >= 0.9:
            further = {} if home.occupancy is None else presence(float(home.occupancy[at]))
            energy_wh = float(home.energy_wh[at] + lost * home.effect_wh[at])
            state = follow(found.rule, state, home.days[at], energy_wh, float(home.temperature_c[at]), further)
    return state.worn_off


PARTS: dict[str, tuple[Callable[[Job], Answers], tuple[str, ...]]] = {
    "before and after": (compared, (TOO_LITTLE, INTERVAL, FORMULA, CLAIMED, FOUND, YEARLY)),
    "on and off by chance": (tried, (TOO_LITTLE, INTERVAL, SECOND, CLAIMED, BY_TEST, FOUND)),
    "worn off": (watched, (UNPROVEN, FALSE_ALARM, NOTICED)),
}


def share(answers: Sequence[Answers], question: str) -> str:
    """Of those that were asked, in per cent, with how many they were."""
    asked = [each[question] for each in answers if question in each]
    return f"{100 * sum(asked) / len(asked):.1f} % of {len(asked)}" if asked else "- of 0"


def table(part: str, seed: int, each: int) -> None:
    """One part's shares by kind of load."""
    work, questions = PARTS[part]
    print(f"{part}: {each} households of each kind, seed {seed}")
    print(f"{'':14}" + "".join(f"{question:>24}" for question in questions))
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for kind in KINDS:
            answers = list(pool.map(work, [(seed, kind, at) for at in range(each)], chunksize=10))
            print(f"{kind:14}" + "".join(f"{share(answers, question):>24}" for question in questions), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description="How true the proofs are, on simulated households.")
    parser.add_argument("--households", type=int, default=500, help="of each kind of load (default 500)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", choices=[*PARTS, "all"], default="all")
    chosen = parser.parse_args()
    begin = time.monotonic()
    for part in PARTS if chosen.part == "all" else [chosen.part]:
        table(part, chosen.seed, chosen.households)
    print(f"{time.monotonic() - begin:.0f} s")


if __name__ == "__main__":
    main()
