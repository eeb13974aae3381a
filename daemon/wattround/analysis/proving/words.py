"""Proofs in words: a verdict as a sentence, what it rests on, what to be wary of."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from math import isnan

from wattround.analysis.proof.answer import Evidence, Proof
from wattround.analysis.proof.fitted import ChangePoint, FittedModel
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.periods import Need, Span
from wattround.analysis.proving.cases import Case, Money
from wattround.money.amount import amount_text

SHAPES = {
    "none": "no part of the weather",
    "heating": "heating below a change point",
    "cooling": "cooling above a change point",
    "degree days": "heating and cooling degree days at one base",
    "heating and cooling": "heating below one change point and cooling above another",
}


def kwh(wh: float) -> str:
    """Energy with digits that say something."""
    return f"{wh / 1000:.2f} kWh" if abs(wh) >= 10_000 else f"{wh / 1000:.3f} kWh"


def percent(share: float, digits: int = 0) -> str:
    """A share of 1."""
    return f"{100 * share:.{digits}f} %"


def between(estimate: Estimate, unit_wh: float = 1000.0) -> str:
    """An interval in kWh."""
    low, high = estimate.low / unit_wh, estimate.high / unit_wh
    digits = 2 if max(abs(low), abs(high)) >= 10 else 3
    return f"{low:.{digits}f} to {high:.{digits}f}"


def verdict(case: Case) -> str:
    """The answer, in one sentence."""
    proof = case.proof
    if proof is None:
        return f"Cannot be asked yet: {case.refusal}."
    evidence = proof.evidence
    if proof.verdict == "too little data" or evidence is None:
        more = [need.more_days for need in proof.needs if need.more_days is not None]
        wait = f" {max(more)} more days." if more else " More days will not help."
        return f"Too little data: {'; '.join(need.text for need in proof.needs)}.{wait}"
    avoided = evidence.avoided_wh_per_day
    sure = f"{percent(avoided.level)} interval {between(avoided)}"
    if proof.verdict == "saved":
        return f"Saved: {kwh(avoided.value)} a day ({sure}), {_share(evidence)} of what it would have used."
    if proof.verdict == "used more":
        sure = f"{percent(avoided.level)} interval {_turned(avoided)}"
        return f"Used more: {kwh(-avoided.value)} a day ({sure}), {_share(evidence)} more than expected."
    seen = kwh(evidence.smallest_seen_wh)
    return f"No detectable change: {kwh(avoided.value)} a day ({sure}). Days like these would have shown {seen} a day."


def _turned(avoided: Estimate) -> str:
    return between(
        Estimate(-avoided.value, -avoided.high, -avoided.low, avoided.standard_error, avoided.df, avoided.level)
    )


def _share(evidence: Evidence) -> str:
    whole = evidence.expected_wh_per_day
    return percent(abs(evidence.avoided_wh_per_day.value / whole)) if whole > 0 else "an unknown share"


def span(name: str, found: Span | None) -> str:
    """A period, and how many of its days were used."""
    if found is None:
        return f"{name}: no day"
    return f"{name}: {found.first} to {found.last}, {found.used} of {found.days} days used"


def amounts(money: Money, estimate: Estimate) -> str:
    """An estimate in money, with its interval."""
    value, low, high = (money.of(wh) for wh in (estimate.value, estimate.low, estimate.high))
    if value is None or low is None or high is None:
        return "no price is known"
    return f"{amount_text(value, money.currency)} ({low:.2f} to {high:.2f})"


def worth_lines(case: Case, evidence: Evidence) -> Iterator[str]:
    """What it came to, in energy and money: until now, and in a year of the usual weather."""
    total = evidence.avoided_wh
    if case.money.per_kwh is not None:
        price = f"{case.money.per_kwh:.4f} {case.money.currency} a kWh, the marginal price when it drew"
    else:
        price = "no price is known"
    until = f"{kwh(total.value)} ({between(total)}) in {evidence.reporting_days} days"
    yield f"Until now: {until}: {amounts(case.money, total)}; {price}."
    yearly = evidence.yearly_wh
    if isinstance(yearly, Need):
        wait = f" ({yearly.more_days} more days)" if yearly.more_days else ""
        yield f"In a year: not to be told: {yearly.text}{wait}."
        return
    year = f"{kwh(yearly.value)} ({between(yearly)}): {amounts(case.money, yearly)}"
    yield f"In a year of the house's usual weather: {year}."
    yield from _payback(case, yearly)


def _payback(case: Case, yearly: Estimate) -> Iterator[str]:
    if case.cost is None:
        return
    guess, soonest, latest = case.payback_years(yearly)
    paid = amount_text(case.cost, case.money.currency)
    if guess is None:
        yield f"It cost {paid} and does not pay that back."
        return
    until = f"{soonest:.1f} to {latest:.1f}" if latest is not None else f"{soonest:.1f}, or never"
    yield f"It cost {paid}: paid back in {guess:.1f} years ({until}), without interest."


def expectation(case: Case, evidence: Evidence) -> str | None:
    """What was expected against what came."""
    if case.expected_wh is None:
        return None
    avoided, wanted = evidence.avoided_wh_per_day, float(case.expected_wh)
    who = next((change.by for change in case.changes if change.by), "")
    said = f"{who or 'Somebody'} expected {kwh(wanted)} a day"
    if avoided.low <= wanted <= avoided.high:
        return f"{said}: that agrees."
    return f"{said}: it is {'less' if avoided.high < wanted else 'more'} than that."


def model_lines(model: FittedModel) -> Iterator[str]:
    """The baseline's model, why it was chosen, how well it fits."""
    classes = {"all alike": "all days alike", "workday and weekend": "workdays and weekends apart",
               "each weekday": "each weekday by itself"}[model.spec.day_classes]  # fmt: skip
    yield f"Model of the days before: {classes}, {SHAPES[model.spec.shape]}."
    yield f"Models with such a part of the weather are {percent(model.weight)} likely, by the {model.criterion}."
    for name, point in (("heating", model.heating), ("cooling", model.cooling)):
        if point is not None:
            yield _change_point(name, point)
    terms = ", ".join(f"{each.name} {each.value:.0f} ± {each.standard_error:.0f}" for each in model.coefficients)
    yield f"Wh a day: {terms} (standard errors of Newey and West)."
    good = model.goodness
    fit = f"R² {good.r2:.2f} (adjusted {good.adjusted_r2:.2f}), CV(RMSE) {percent(good.cv_rmse)}"
    yield f"Fit to {good.days} days: {fit}, NMBE {percent(good.nmbe, 1)}."
    worth = f"the days are worth {good.effective_days:.0f} independent ones"
    yield f"Residuals of neighbouring days are alike by {good.lag_one:.2f}: {worth}."
    for check in good.checks:
        if not check.met:
            yield f"{check.name} is outside of {check.limit:g} ({check.source}): the interval has that in it."


def _change_point(name: str, point: ChangePoint) -> str:
    return f"Change point of {name}: {point.value_c:.1f} °C ({point.low_c:.1f} to {point.high_c:.1f})."


def warnings(proof: Proof) -> list[str]:
    """All of them, as sentences."""
    return [f"{note.text[0].upper()}{note.text[1:]}." for note in proof.notes]


def yearly_money(case: Case) -> tuple[Decimal, Decimal, Decimal] | None:
    """Value and interval of a year, where there is one."""
    evidence = case.proof.evidence if case.proof is not None else None
    if evidence is None or isinstance(evidence.yearly_wh, Need):
        return None
    found = [case.money.of(wh) for wh in (evidence.yearly_wh.value, evidence.yearly_wh.low, evidence.yearly_wh.high)]
    value, low, high = found
    return None if value is None or low is None or high is None else (value, low, high)


def basis(case: Case) -> Iterator[str]:
    """Periods, model, fit: what a careful reader asks for."""
    proof = case.proof
    if proof is None:
        return
    yield f"{span('Before', proof.baseline)}. {span('After', proof.reporting)}."
    yield f"A day counts if at least {percent(proof.least_coverage)} of it was covered."
    evidence = proof.evidence
    if evidence is None:
        return
    yield from model_lines(evidence.model)
    share = evidence.fractional_savings_uncertainty
    if proof.verdict == "saved" and not isnan(share):
        yield f"By the formula of ASHRAE Guideline 14 the uncertainty would be {percent(share)} of the savings."
    seen = kwh(evidence.smallest_seen_wh)
    yield f"The smallest effect that these days would have shown, four times of five: {seen} a day."
