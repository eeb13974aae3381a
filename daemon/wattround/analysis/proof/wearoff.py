"""What the daemon needs to notice that a proven saving has worn off: `rules.drift`'s figures, and what they promise.

The threshold is chosen so that a year without any wear-off raises it with a stated probability. That year is made in
two ways, and the higher threshold holds: of the proof's own days (the surprises that the rule's filter saw, drawn in
blocks of four weeks, Künsch 1989), which keeps their shape and whatever correlation is left in them; and of the noise
as the proof knows it, with all that is not certain of its autocorrelation. To both comes what is not known of the level
itself. Days whose weather the change was not proven on are not judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from wattround.analysis.proof.answer import Evidence
from wattround.analysis.proof.data import Floats, Frame
from wattround.analysis.proof.estimate import Comparison
from wattround.analysis.proof.fitted import least_squares
from wattround.analysis.proof.noise import PHI, SHARE, solver
from wattround.analysis.proof.periods import REACH_K, Need
from wattround.analysis.proof.terms import class_columns, design
from wattround.rules.drift import CLIP, DriftRule, DriftState, Expectation, follow

FALSE_ALARMS_A_YEAR = 0.05
"""Promised."""
DESIGNED = FALSE_ALARMS_A_YEAR / 4
"""Most of it is kept back for models that are not quite right; `tools/calibrate` says what comes of that."""
YEAR_DAYS = 365
BLOCK_DAYS = 28
YEARS = 2000
"""Simulated."""
MOST_ALLOWANCE = 1.0
QUARTERS = 4
TINY = float(np.finfo(float).tiny)
FINEST = 1e-3
"""Scatter of a load's days below this share of its level is taken as this: meters are not that exact."""


@dataclass(frozen=True)
class Watch:
    """A rule, and what it promises."""

    rule: DriftRule
    false_alarms_a_year: float
    """Probability that a year without wear-off raises it."""
    run_length_days: float
    """Mean days between false alarms that this comes to, if they come at a constant rate."""
    noticed_days: int | None
    """Days until a saving that is lost altogether is noticed in half of all cases; None: not within a year."""


def watch(evidence: Evidence, *, seed: int = 0) -> Watch | Need:
    """For a change that has saved; otherwise why there is nothing to watch."""
    saved_wh = evidence.avoided_wh_per_day
    if saved_wh.certain_sign <= 0:
        return Need("no saving is proven, so none can wear off", None)
    compared = evidence.comparison
    before, since, error = _expectations(compared)
    rule = _rule(compared, since, saved_wh.value)
    surprises = _surprises(replace(rule, expectation=before), rule, compared)
    random = np.random.default_rng(seed)
    off = error * random.standard_t(compared.noise.df, YEARS) * _steady(rule) / rule.sigma_wh
    drawn = _years(surprises, random)
    likely = _likely_years(rule, compared, error, random)
    peaks = (_cumulated(each, rule.allowance).max(axis=1) for each in (drawn + off[:, None], likely))
    rule = replace(rule, threshold=max(float(np.quantile(each, 1 - DESIGNED)) for each in peaks))
    lost = off + saved_wh.value * _steady(rule) / rule.sigma_wh
    over = _cumulated(drawn + lost[:, None], rule.allowance) > rule.threshold
    first = np.where(over.any(axis=1), over.argmax(axis=1) + 1, YEAR_DAYS + 1)
    noticed = int(np.median(first))
    run_length = -YEAR_DAYS / float(np.log1p(-FALSE_ALARMS_A_YEAR))
    return Watch(rule, FALSE_ALARMS_A_YEAR, run_length, noticed if noticed <= YEAR_DAYS else None)


def _expectations(compared: Comparison) -> tuple[Expectation, Expectation, float]:
    """The baseline's chosen model, the same shifted or stretched to the reporting days, the standard error of that, Wh.

    Stretched where that is clearly better (by the Bayesian information criterion): a share was saved, not an amount.
    """
    frame, after, spec = compared.frame, compared.after, compared.found.chosen
    columns = design(spec, frame, compared.centres)
    values, _, _ = least_squares(columns[~after], frame.energy_wh[~after])
    base, measured = columns[after] @ values, frame.energy_wh[after]
    shift, stretch = float((measured - base).mean()), 1.0
    count = len(measured)
    if np.ptp(base) > 1e-6 * abs(float(base.mean())):
        slope, level = np.polyfit(base, measured, 1)
        shifted, stretched = ((measured - each) ** 2 for each in (base + shift, level + slope * base))
        better = count * np.log((shifted.sum() + TINY) / (stretched.sum() + TINY))
        if better > np.log(count) * compared.noise.inflation:
            shift, stretch = float(level), float(slope)
    error = _error(compared, columns, stretch)
    return _told(compared, values, 0.0), _told(compared, stretch * values, shift), error


def _error(compared: Comparison, columns: Floats, stretch: float) -> float:
    """Standard error of what is expected of a stretch of like days: of the level, and of the way there from the mean.

    The root mean square over quarters of the reporting days by temperature: a season's weather may stay for weeks.
    """
    after, seen = compared.after, compared.frame.temperature_c
    rows = columns[after]
    order = np.arange(len(rows)) if seen is None else np.argsort(seen[after], kind="stable")
    fit = solver(columns[~after])
    contrasts = np.zeros((len(columns), QUARTERS))
    for at, quarter in enumerate(np.array_split(order, QUARTERS)):
        contrasts[~after, at] = stretch * (rows[quarter].mean(axis=0) - rows.mean(axis=0)) @ fit
        contrasts[after, at] = 1 / len(rows)
    variances = compared.noise.variances(contrasts).mean(axis=2)
    return float(np.sqrt((compared.noise.weight * variances).sum()))


def _told(compared: Comparison, values: Floats, shift: float) -> Expectation:
    """Coefficients of the model's columns as a sum that needs no columns."""
    spec, frame = compared.found.chosen, compared.frame
    week = Frame(np.arange(1.0, 8.0), np.zeros(7), None, np.zeros((7, 0)), ())
    classes = class_columns(spec.day_classes, week)
    rest = list(values[classes.shape[1] :])
    further = [(frame.names[at], float(rest.pop(0))) for at in spec.further]
    centred = sum(each_wh * float(compared.centres[at]) for at, (_, each_wh) in zip(spec.further, further, strict=True))
    heating = float(rest.pop(0)) if spec.heating_c is not None else 0.0
    cooling = float(rest.pop(0)) if spec.cooling_c is not None else 0.0
    seen = None if frame.temperature_c is None else frame.temperature_c[compared.after]
    return Expectation(
        float(values[0]) + shift - centred,
        tuple(float(each) for each in classes[:, 1:] @ values[1 : classes.shape[1]]),
        spec.heating_c,
        heating,
        spec.cooling_c,
        cooling,
        tuple(further),
        None if seen is None else float(seen.min()) - REACH_K,
        None if seen is None else float(seen.max()) + REACH_K,
    )


def _rule(compared: Comparison, expectation: Expectation, saved_wh: float) -> DriftRule:
    """The allowance is half of what half of the saving lost would add a day (Page's reference value), at most one."""
    noise = compared.noise
    level = noise.growth.level_wh
    sigma = max(noise.sigma_wh, FINEST * level)
    rule = DriftRule(
        expectation, sigma, noise.growth.proportion, level, noise.phi, noise.share, 0.0, float("inf")
    )  # fmt: skip
    return replace(rule, allowance=min(_steady(rule) * saved_wh / sigma / 4, MOST_ALLOWANCE))


def _steady(rule: DriftRule) -> float:
    """What a lasting shift of one standard deviation adds to each day's surprise, once the filter is used to it."""
    uncertain = rule.lingering
    lingers = surprise = 0.0
    for _ in range(YEAR_DAYS):
        spread = uncertain + 1 - rule.lingering
        surprise = (1 - lingers) / float(np.sqrt(spread))
        gain = uncertain / spread
        lingers = rule.phi * (lingers + gain * (1 - lingers))
        uncertain = rule.phi**2 * uncertain * (1 - gain) + (1 - rule.phi**2) * rule.lingering
    return surprise


def _surprises(before: DriftRule, since: DriftRule, compared: Comparison) -> Floats:
    """What the filter did not foresee on the proof's own days: each period by what was expected in it."""
    found: list[float] = []
    for rule, chosen in ((before, compared.before), (since, compared.after)):
        frame, state = compared.frame.take(chosen), DriftState()
        for at, ordinal in enumerate(frame.ordinal):
            known_c = None if frame.temperature_c is None else float(frame.temperature_c[at])
            further = dict(zip(frame.names, map(float, frame.further[at]), strict=True))
            state = follow(rule, state, date.fromordinal(int(ordinal)), float(frame.energy_wh[at]), known_c, further)
            found.append(state.surprise)
    return np.array(found)


def _years(surprises: Floats, random: np.random.Generator) -> Floats:
    """Years of days, shape (YEARS, YEAR_DAYS), in blocks from a circle of the proof's days."""
    blocks = -(-YEAR_DAYS // BLOCK_DAYS)
    begins = random.integers(len(surprises), size=(YEARS, blocks))
    at = (begins[:, :, None] + np.arange(BLOCK_DAYS)) % len(surprises)
    made: Floats = surprises[at.reshape(YEARS, -1)[:, :YEAR_DAYS]]
    return made


def _likely_years(rule: DriftRule, compared: Comparison, error: float, random: np.random.Generator) -> Floats:
    """Years of surprises as the noise makes them, whose autocorrelation is not quite what the filter takes it for."""
    noise = compared.noise
    row, column = np.unravel_index(random.choice(noise.weight.size, YEARS, p=noise.weight.ravel()), noise.weight.shape)
    phi, share = PHI[row], SHARE[column]
    scale = np.sqrt(noise.sigma2[row, column] * noise.df / random.chisquare(noise.df, YEARS)) / rule.sigma_wh
    off = error * random.standard_t(noise.df, YEARS) / rule.sigma_wh
    lasting, seen = random.standard_normal(YEARS), np.zeros(YEARS)
    uncertain, made = rule.lingering, np.empty((YEARS, YEAR_DAYS))
    for day in range(YEAR_DAYS):
        fresh = random.standard_normal((2, YEARS))
        spread = float(np.sqrt(uncertain + 1 - rule.lingering))
        deviation = off + scale * (np.sqrt(share) * lasting + np.sqrt(1 - share) * fresh[0])
        made[:, day] = np.clip((deviation - seen) / spread, -CLIP, CLIP)
        gain = uncertain / spread**2
        seen = rule.phi * (seen + gain * made[:, day] * spread)
        uncertain = rule.phi**2 * uncertain * (1 - gain) + (1 - rule.phi**2) * rule.lingering
        lasting = phi * lasting + np.sqrt(1 - phi**2) * fresh[1]
    return made


def _cumulated(surprises: Floats, allowance: float) -> Floats:
    """The rule's sum on each day of each year."""
    sums = np.empty_like(surprises)
    held = np.zeros(len(surprises))
    for day in range(surprises.shape[1]):
        held = np.maximum(0.0, held + np.clip(surprises[:, day], -CLIP, CLIP) - allowance)
        sums[:, day] = held
    return sums
