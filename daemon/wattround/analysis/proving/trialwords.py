"""Trials in words: what came of one, how surely, what it is worth, what it rests on."""

from __future__ import annotations

from collections.abc import Iterator

from wattround.analysis.proof.alternating import Judgement
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proving.trials import Tried
from wattround.analysis.proving.words import amounts, between, kwh, percent

MONTH_DAYS = 30


def verdict(of: Tried) -> str:
    """The answer, in one sentence or two."""
    if of.verdict == "too little data" or of.judgement is None:
        return f"Too little data: {of.lacking}. {_waiting(of)}"
    saved = of.judgement.saved
    sure = f"{percent(saved.level)} interval"
    if of.verdict == "saved":
        return f"Saved: {kwh(saved.value)} a day ({sure} {between(saved)}){_share(of, saved)}."
    if of.verdict == "used more":
        more = Estimate(-saved.value, -saved.high, -saved.low, saved.standard_error, saved.df, saved.level)
        return f"Used more: {kwh(more.value)} a day ({sure} {between(more)}){_share(of, saved)}."
    seen = kwh(saved.smallest_seen)
    found = f"{kwh(saved.value)} a day ({sure} {between(saved)})"
    return f"No detectable change: {found}. These days would have shown {seen} a day."


def _waiting(of: Tried) -> str:
    days = f"{of.more_days} more day{'' if of.more_days == 1 else 's'}"
    if of.more_days is None:
        return "This trial will not have enough of them: plan another one." if of.left else "Plan another trial."
    if of.more_days <= of.left:
        return f"{days}."
    return f"About {days}, and the trial has {of.left} left: plan a longer one."


def _share(of: Tried, saved: Estimate) -> str:
    usual = of.usual_wh
    return f", {percent(abs(saved.value) / usual)} of a day off" if usual > 0 else ""


def worth_lines(of: Tried) -> Iterator[str]:
    """What it comes to: days on against days off, by chance alone, in money."""
    judgement = of.judgement
    if judgement is None:
        return
    on, off = (float(of.used.energy_wh[chosen].mean()) for chosen in (of.used.on, ~of.used.on))
    yield (
        f"Days on: {judgement.days_on}, {kwh(on)} in the mean. Days off: {judgement.days_off}, {kwh(off)} in the mean. "
        "What is said to be saved is after weather, weekdays and whatever else explains days."
    )
    yield from _looks(judgement)
    if of.money.per_kwh is None:
        yield "In money: no price is known."
        return
    saved = judgement.saved
    month = Estimate(
        saved.value * MONTH_DAYS, saved.low * MONTH_DAYS, saved.high * MONTH_DAYS, saved.standard_error * MONTH_DAYS,
        saved.df, saved.level,
    )  # fmt: skip
    yield (
        f"In {MONTH_DAYS} days like these: {kwh(month.value)} ({between(month)}): {amounts(of.money, month)}; "
        f"{of.money.per_kwh:.4f} {of.money.currency} a kWh, the marginal price when it drew."
    )


def _looks(judgement: Judgement) -> Iterator[str]:
    """By chance alone, and the second look by regression."""
    found = judgement.regression
    if judgement.randomisation is None:
        yield "By chance alone nothing can be said: too few orders could have been drawn. All of it is by regression."
        return
    as_much = round(judgement.p_value * judgement.orders)
    yield f"By chance alone: {as_much:,} of {judgement.orders:,} orders show as much (p {judgement.p_value:.2g})."
    yield f"By regression: {kwh(found.value)} a day ({percent(found.level)} interval {between(found)})."


def warnings(of: Tried) -> list[str]:
    """All of them, as sentences."""
    told = [f"{note.text[0].upper()}{note.text[1:]}." for note in of.notes]
    if not of.gone:
        told.insert(0, f"It begins on {of.trial.first}.")
    elif of.judgement is not None and of.left:
        until = f"It runs until {of.trial.last}: {of.left} day{'' if of.left == 1 else 's'} to come. "
        told.insert(0, until + "To stop at the first good answer makes wrong ones likelier: let it run.")
    return told


def basis(of: Tried) -> Iterator[str]:
    """How it was drawn and judged: what a careful reader asks for."""
    trial = of.trial
    unit = "day" if trial.unit_days == 1 else "week"
    half = trial.block_units // 2
    yield (
        f"Drawn on {trial.drawn.date()} from seed {trial.seed}: of every {trial.block_units} {unit}s {half} on, "
        f"{trial.days} days from {trial.first} to {trial.last}; {of.gone} have passed, {len(of.used.days)} were used."
    )
    yield f"A day counts if at least {percent(of.least_coverage)} of it was covered."
    if of.judgement is None:
        return
    yield (
        "What is stated is by chance alone: days within their blocks, after weather and weekends, against the orders "
        "that could have been drawn (Fisher 1935), so no model has to be right. A regression that knows how alike "
        "neighbouring days are is a second look; something is claimed only if both show it."
    )
    seen = kwh(of.judgement.saved.smallest_seen)
    yield f"The smallest effect that these days would have shown, four times of five: {seen} a day."
